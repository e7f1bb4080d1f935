/**
 * What the software can do and what this running service serves, both from the served table: the
 * first is an artefact in `profiles/`, the second answers `GET /fhir/metadata`.
 */
import type * as fhir4 from 'fhir/r4.js';
import { CANONICAL_BASE } from '../core/terminology.ts';
import { stringifyExact } from '../core/json.ts';
import { ROLE_SCOPES } from '../permission.ts';
import { SERVED, SERVED_BY_SYSTEM, type ServedResource } from './served.ts';
import { sendFhir } from './answer.ts';
import type { Handler, Serving } from './serving.ts';

type Identity = Pick<Serving, 'baseUrl' | 'version' | 'startedAt' | 'auth' | 'subscriptions'>;

const SOFTWARE_STATEMENT = `${CANONICAL_BASE}/CapabilityStatement/steelyard`;

/** The statement of a running service: instance, address and start. */
export function capabilityStatement({ baseUrl, version, startedAt, auth, subscriptions }: Identity): fhir4.CapabilityStatement {
  return {
    resourceType: 'CapabilityStatement',
    url: `${CANONICAL_BASE}/CapabilityStatement/steelyard-instance`,
    version,
    name: 'SteelyardInstance',
    title: 'A running Steelyard',
    status: 'active',
    date: startedAt,
    kind: 'instance',
    instantiates: [SOFTWARE_STATEMENT],
    software: { name: 'Steelyard', version },
    implementation: { description: 'Body weights, heights and BMI between the scales of a ward and its health record', url: baseUrl },
    ...capabilities(auth.tokens === undefined ? OPEN_TO_ALL : WITH_TOKENS, subscriptions.targets.length > 0),
  };
}

/** The statement of the software itself, wherever it runs. */
export function softwareCapabilities(version: string, date: string): fhir4.CapabilityStatement & { readonly id: string } {
  return {
    resourceType: 'CapabilityStatement',
    id: 'steelyard',
    url: SOFTWARE_STATEMENT,
    version,
    name: 'Steelyard',
    title: 'Capabilities of Steelyard',
    status: 'active',
    experimental: false,
    date,
    publisher: 'The Steelyard project',
    description: 'What every Steelyard of this version serves. A running one says the same of itself at /fhir/metadata.',
    kind: 'capability',
    software: { name: 'Steelyard', version },
    ...capabilities({ says: 'Whether a token is asked for is a setting of the running service, whose own statement says it.' }),
  };
}

interface Door {
  readonly says: string;
  readonly security?: fhir4.CapabilityStatementRestSecurity;
}

const OPEN_TO_ALL: Door = { says: 'Everybody who reaches the port may call: no token is asked for.' };

const WITH_TOKENS: Door = {
  says: 'What touches people, readings and scales needs a bearer token.',
  security: {
    cors: false,
    service: [
      {
        coding: [
          {
            system: 'http://terminology.hl7.org/CodeSystem/restful-security-service',
            code: 'SMART-on-FHIR',
            display: 'SMART-on-FHIR',
          },
        ],
      },
    ],
    description:
      'Access tokens (JWT) of one issuer, with SMART scopes of version 1 or 2 for each interaction; in a Bundle for each entry. system/ counts for ' +
      'every token, user/ for one that names a person; patient/ and scopes with a query do not count. $decide, $undo and $claim need ' +
      `${ROLE_SCOPES.review} and a person, $recall ${ROLE_SCOPES.review} or ${ROLE_SCOPES.operate} and a person, the metrics ${ROLE_SCOPES.operate}. ` +
      'A gateway may be held to its own scales. Issuer and scopes stand at .well-known/smart-configuration.',
  },
};

/** @param takesSubscriptions false where the operator allows no endpoint */
function capabilities(
  { says, security }: Door,
  takesSubscriptions = true,
): Pick<fhir4.CapabilityStatement, 'fhirVersion' | 'format' | 'rest'> {
  return {
    fhirVersion: '4.0.1',
    format: ['application/fhir+json', 'json'],
    rest: [
      {
        mode: 'server',
        documentation:
          'Decimal numbers keep their written digits. Every error is an OperationOutcome whose issues name the rule, the element and the remedy. ' +
          says,
        ...(security && { security }),
        resource: SERVED.map((served) =>
          toRestResource(served.kind === 'subscription' && !takesSubscriptions ? withoutCreate(served) : served),
        ),
        interaction: [{ code: 'transaction' }, { code: 'batch' }],
        operation: SERVED_BY_SYSTEM.map(({ name, definition, means }) => ({ name, definition, documentation: means })),
      },
    ],
  };
}

function withoutCreate<Served extends ServedResource>(served: Served): Served {
  return { ...served, interactions: served.interactions.filter((one) => one !== 'create') };
}

function toRestResource(served: ServedResource): fhir4.CapabilityStatementRestResource {
  const isStored = served.kind !== 'artefact' && served.kind !== 'audit' && served.kind !== 'subscription';
  const isReading = served.kind === 'reading';
  return {
    type: served.type,
    ...(isReading && { supportedProfile: [...served.profiles] }),
    documentation: served.means,
    interaction: served.interactions.map((code) => ({ code })),
    versioning: isStored ? 'versioned' : 'no-version',
    readHistory: served.interactions.includes('vread'),
    updateCreate: served.kind === 'registry',
    conditionalCreate: isReading,
    conditionalRead: isStored ? 'not-match' : 'not-supported',
    conditionalUpdate: false,
    conditionalDelete: 'not-supported',
    referencePolicy: ['literal', 'logical', 'local'],
    ...(isReading && { searchInclude: [...served.includes] }),
    searchParam: served.parameters.map(({ name, type, means }) => ({ name, type, documentation: means })),
    ...(served.operations && {
      operation: served.operations.map(({ name, definition, means }) => ({ name, definition, documentation: means })),
    }),
  };
}

export function readCapabilities(serving: Serving): Handler {
  const text = stringifyExact(capabilityStatement(serving));
  return (_req, res) => sendFhir(res, { status: 200, text });
}
