/**
 * What the HTTP edge is given, and the words its parts share. Built by the composition root.
 */
import type { Request, RequestHandler, Response } from 'express';
import type { AuditTrail } from '../audit-trail.ts';
import type { GrowthTables } from '../core/growth/tables.ts';
import type { RulePassport } from '../core/finding.ts';
import type { Call } from '../caller.ts';
import type { Intake } from '../ingest.ts';
import type { Auth } from './auth/auth.ts';
import type { Log } from '../log.ts';
import type { Metrics } from '../metrics.ts';
import type { PolicyInForce } from '../policy-in-force.ts';
import type { Clock, Store } from '../ports.ts';
import type { RuleExamples } from '../rule-examples.ts';
import type { Tracer } from '../tracer.ts';
import type { Limits } from './limits.ts';
import type { ProcessPressure } from './process-pressure.ts';
import type { SignIn } from './sign-in/sign-in.ts';

export type ArtefactType = 'StructureDefinition' | 'ValueSet' | 'CodeSystem' | 'ConceptMap' | 'OperationDefinition' | 'CapabilityStatement';

/** One of our own conformance resources, as published in `profiles/`. */
export interface PublishedArtefact {
  readonly type: ArtefactType;
  readonly id: string;
  /** Canonical URL. */
  readonly url: string;
  readonly name: string;
  readonly text: string;
}

export interface Serving {
  /** Who may come in. */
  readonly auth: Auth;
  /** While anybody may call: host names, besides those of loopback, that the FHIR interface is asked for by. Any name when absent. */
  readonly knownAs?: readonly string[];
  /** How people sign in to the pages. Without it nobody is let in to them, or, where no tokens are asked for either, everybody of this machine. */
  readonly signIn?: SignIn;
  /** The use case, for one call. */
  readonly intake: (call: Call) => Intake;
  readonly store: Store;
  readonly clock: Clock;
  /** What endpoints of Subscriptions must begin with, and whom to tell that there is a new one. */
  readonly subscriptions: { readonly targets: readonly string[]; readonly added: () => void };
  readonly audit: Pick<AuditTrail, 'record' | 'recordIfPossible' | 'accessRefused'>;
  readonly artefacts: readonly PublishedArtefact[];
  /** All rules, in reporting order. */
  readonly rules: readonly RulePassport[];
  /** Of each rule, a request that it lets pass and one that it speaks of, by rule id. */
  readonly examples: ReadonlyMap<string, RuleExamples>;
  readonly policy: PolicyInForce;
  readonly metrics: Metrics;
  readonly log: Log;
  /** FHIR base that Location, links and fullUrls are built from, without a slash at its end. */
  readonly baseUrl: string;
  /** Version of this software. */
  readonly version: string;
  /** When the service started: the date of its CapabilityStatement. A FHIR instant. */
  readonly startedAt: string;
  /** Is an EHR configured that what is accepted goes to? */
  readonly forwards: boolean;
  /** True once the service has been told to stop: connections are then closed after each answer. */
  readonly isStopping: () => boolean;
  /** No call is traced when absent. */
  readonly tracer?: Tracer;
  /** The growth tables that an operator supplied; pages show what they made of a reading. */
  readonly growth?: GrowthTables;
  /** How much anybody may have of the service; see `DEFAULT_LIMITS`. */
  readonly limits?: Limits;
  /** How the process is doing; nothing is refused for its sake when absent. */
  readonly pressure?: ProcessPressure;
}

export type Handler = (req: Request, res: Response) => Promise<void> | void;
export type { Request, RequestHandler, Response };

/** The largest body taken in, after inflation. A Bundle of a whole ward day is well below it. */
export const LARGEST_BODY_BYTES = 5 * 1024 * 1024;
export const LARGEST_FORM_BYTES = 64 * 1024;
