/** The real use case on the real embedded store, in memory, for tests to post to. */
import { createIntake, type Intake, type IntakeAnswer } from '../../src/ingest.ts';
import type { GrowthTables } from '../../src/core/growth/tables.ts';
import type { JsonObject } from '../../src/core/json.ts';
import { DEFAULT_POLICY, type Policy } from '../../src/core/policy.ts';
import { isStandingBmi, type Reading, type StandingBmi } from '../../src/core/reading.ts';
import type { Clock, OutboxItem, Store, Token } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { arrived, parsed } from '../arrived.ts';
import { closeAfterTest } from '../closing.ts';
import { CLOCK } from '../measurements.ts';

export interface Desk {
  readonly store: Store;
  readonly intake: Intake;
  /** Posts an Observation as text and all, the way the edge does. */
  post(observation: object, ifNoneExist?: Required<Token>): Promise<IntakeAnswer>;
  /** Corrects: PUT of the whole Observation under the stored id. */
  correct(id: string, observation: object, ifMatch?: number): Promise<IntakeAnswer>;
  put(type: 'Patient' | 'Device' | 'DeviceMetric', resource: object & { readonly id: string }): Promise<IntakeAnswer>;
  bundle(type: 'batch' | 'transaction', entries: readonly object[]): ReturnType<Intake['bundle']>;
  tree(id: string): Promise<JsonObject>;
  readings(person?: string): Promise<readonly Reading[]>;
  /** BMI that stand: not those entered in error. */
  standing(person?: string): Promise<readonly StandingBmi[]>;
  outbox(): Promise<readonly OutboxItem[]>;
  /** How many of each thing the store holds. */
  counts(): Promise<Readonly<Record<string, number>>>;
}

export async function openDesk(
  options: {
    readonly policy?: Policy;
    readonly growth?: GrowthTables;
    readonly forwards?: boolean;
    readonly onStored?: () => void;
    readonly onPerson?: (key: string) => void;
    readonly knownBases?: string[];
    /** One that stands still when absent. */
    readonly clock?: Clock;
  } = {},
): Promise<Desk> {
  const { clock = CLOCK } = options;
  const store = await openSqliteStore(':memory:', { clock });
  closeAfterTest(() => store.close());
  let issued = 0;
  const intake = createIntake({
    store,
    clock,
    policy: () => options.policy ?? DEFAULT_POLICY,
    ...(options.growth && { growth: options.growth }),
    newId: () => `r${String((issued += 1)).padStart(5, '0')}`,
    knownBases: options.knownBases ?? [],
    forwards: options.forwards ?? true,
    ...(options.onStored && { onStored: options.onStored }),
    ...(options.onPerson && { onPerson: options.onPerson }),
  });
  const put: Desk['put'] = (type, resource) => intake.putRegistry(type, resource.id, arrived(resource).tree);
  const standing: Desk['standing'] = async (person = 'Patient/ada') =>
    (await store.read.standingDerivedOf(person)).filter(isStandingBmi).filter(({ status }) => status !== 'entered-in-error');
  return {
    store,
    intake,
    post: (observation, ifNoneExist) => {
      const { tree, text } = arrived(observation);
      return intake.create(tree, text, ifNoneExist);
    },
    correct: async (id, observation, ifMatch) => {
      const { tree, text } = arrived({ ...observation, id });
      const version = ifMatch ?? (await store.read.current('Observation', id))?.version ?? 1;
      return intake.correct(id, tree, text, version);
    },
    put,
    bundle: (type, entries) => {
      const { tree, text } = arrived({ resourceType: 'Bundle', type, entry: entries });
      return intake.bundle(tree, text);
    },
    tree: async (id) => {
      const stored = await store.read.current('Observation', id);
      if (stored === undefined) throw new Error(`Observation/${id} is not stored`);
      return parsed(stored.text);
    },
    readings: (person = 'Patient/ada') => store.read.readingsOf(person),
    standing,
    outbox: () => store.outbox.list({ limit: 1000 }),
    counts: () => countsOf(store),
  };
}

async function countsOf({ read, outbox }: Store): Promise<Record<string, number>> {
  const registry = async (type: 'Patient' | 'Device' | 'Provenance') => (await read.searchRegistry(type, { count: 1000 })).resources.length;
  return {
    observations: await read.countObservations({ includeHeld: true }),
    provenances: await registry('Provenance'),
    patients: await registry('Patient'),
    devices: await registry('Device'),
    refusals: (await read.refusals(1000)).length,
    outbox: (await outbox.list({ limit: 1000 })).length,
  };
}

/** Ids of the rules in an answer's OperationOutcome. */
export function rulesIn({ outcome }: Pick<IntakeAnswer, 'outcome'>): string[] {
  return outcome.issue.flatMap(({ details }) => details?.coding?.[0]?.code ?? []);
}

/** The id under which an answer's Observation is stored; throws when nothing was stored. */
export function idOf(answer: IntakeAnswer): string {
  if (answer.resource === undefined) throw new Error(`nothing was stored: ${rulesIn(answer).join(', ')}`);
  return answer.resource.id;
}
