/** The searchable facts of an Observation, read once when it is stored. */
import type { Effective } from './fhir-time.ts';
import type { ExactObservation } from './observation.ts';
import type { Reading, StandingBmi, StandingFigure } from './reading.ts';
import type { Quantified } from './terminology.ts';

/** A system|value pair; `system` undefined when there is none. */
export interface Token {
  readonly system?: string;
  readonly value: string;
}

type Column = 'id' | 'version' | 'status';
/** What is stored of a derived figure, so that the next derivation knows what stands. */
export type StandingFacts = Omit<StandingBmi, Column> | Omit<StandingFigure, Column>;

/** What search and history need of an Observation version. */
export interface ObservationFacts {
  /** What it is about: a derived figure is filed under the measure that it speaks of. */
  readonly of: Quantified;
  /** The decoded reading of a weight or height, so that history is read without parsing. */
  readonly reading?: Reading;
  /** For a derived figure: what it says and what it was derived from. */
  readonly standing?: StandingFacts;
  readonly person: string;
  /** The key of the person as the sender named them: whose it is can turn out otherwise. */
  readonly personAsSent?: string;
  readonly status: string;
  readonly held: boolean;
  readonly startMs: number;
  readonly endMs: number;
  readonly codes: readonly Required<Token>[];
  readonly identifiers: readonly Token[];
  readonly categories: readonly Required<Token>[];
  readonly tags: readonly Token[];
  readonly device?: string;
  readonly derivedFrom: readonly string[];
}

interface Known {
  readonly of: Quantified;
  readonly person: string;
  readonly personAsSent?: string;
  readonly held: boolean;
  readonly effective: Effective;
  readonly device?: string;
  readonly reading?: Reading;
  readonly standing?: ObservationFacts['standing'];
}

export function factsOf(observation: ExactObservation, known: Known): ObservationFacts {
  const { of, person, personAsSent, held, effective, device, reading, standing } = known;
  return {
    of,
    ...(reading && { reading }),
    ...(standing && { standing }),
    person,
    ...(personAsSent !== undefined && { personAsSent }),
    status: observation.status,
    held,
    startMs: effective.startMs,
    endMs: effective.endMs,
    codes: tokens(observation.code.coding),
    identifiers: identifierTokens(observation),
    categories: tokens(observation.category?.flatMap(({ coding }) => coding ?? [])),
    tags: tokens(observation.meta?.tag),
    ...(device !== undefined && { device }),
    derivedFrom: (observation.derivedFrom ?? []).flatMap(({ reference }) => /^Observation\/([^/]+)/.exec(reference ?? '')?.[1] ?? []),
  };
}

/** The facts of a weight or height that is stored as `observation`. */
export function factsOfReading(
  observation: ExactObservation,
  reading: Reading,
  asSent: Pick<ObservationFacts, 'personAsSent'>,
): ObservationFacts {
  const { of, person, held, effective, device } = reading;
  return factsOf(observation, { of, person, ...asSent, held, effective, reading, ...(device !== undefined && { device }) });
}

function tokens(codings: readonly { system?: string | undefined; code?: string | undefined }[] | undefined): Required<Token>[] {
  return (codings ?? []).flatMap(({ system, code }) => (code === undefined ? [] : [{ system: system ?? '', value: code }]));
}

/** Identifiers of any resource that has them. */
export function identifierTokens(resource: {
  readonly identifier?: readonly { system?: string | undefined; value?: string | undefined }[] | undefined;
}): Token[] {
  return (resource.identifier ?? []).flatMap(({ system, value }) =>
    value === undefined ? [] : [{ ...(system !== undefined && { system }), value }],
  );
}
