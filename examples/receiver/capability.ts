/** What the stand-in EHR says of itself at `/metadata`. */
import { parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { RESOURCE_TYPES } from './memory.ts';

export function capabilityStatement(url: string): JsonObject {
  const statement = {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: '2026-11-25',
    kind: 'instance',
    implementation: { description: 'A stand-in EHR for demonstrations and tests; holds everything in memory', url },
    fhirVersion: '4.0.1',
    format: ['application/fhir+json'],
    rest: [
      {
        mode: 'server',
        interaction: [{ code: 'transaction' }, { code: 'batch' }],
        resource: RESOURCE_TYPES.map((type) => ({
          type,
          interaction: ['read', 'vread', 'history-instance', 'create', 'update', 'search-type'].map((code) => ({ code })),
          versioning: 'versioned-update',
          conditionalCreate: true,
          conditionalUpdate: true,
          updateCreate: type === 'Patient' || type === 'Device',
        })),
      },
    ],
  };
  const parsed = parseExactJson(JSON.stringify(statement));
  if (!parsed.ok) throw new TypeError(parsed.problem.reason);
  return parsed.value as JsonObject;
}
