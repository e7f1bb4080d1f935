/** The real use case on a real store of its own, with a clock that follows what is sent. */
import { createIntake, type Intake, type IntakeAnswer } from '../../../src/ingest.ts';
import type { Verdict } from '../../../src/core/finding.ts';
import { DEFAULT_POLICY } from '../../../src/core/policy.ts';
import { OURS } from '../../../src/core/terminology.ts';
import type { Store, StoreWriter } from '../../../src/ports.ts';
import { openSqliteStore } from '../../../src/store/sqlite.ts';
import { arrived } from '../../arrived.ts';
import { toObservation, type Measurement, type Put } from './series.ts';

export interface Answer {
  readonly verdict: Verdict;
  /** Ids of every rule that had something to say. */
  readonly rules: readonly string[];
  /** Of these, the ones that refused or held. */
  readonly deciding: readonly string[];
  /** Id of the Observation, when one was stored. */
  readonly storedAs?: string;
}

/** Where measurements are sent to. */
export interface Desk {
  /** @param receivedMs what the service's clock says then */
  post(measurement: Measurement, receivedMs: number): Promise<Answer>;
  /** Throws when the service refuses it: the model must not send such. */
  put(put: Put, receivedMs: number): Promise<void>;
  /** Somebody decides that a held reading is right. */
  keep(id: string, decidedMs: number): Promise<void>;
}

export interface Ward extends Desk {
  /** Does `work` at a desk of the same store and then takes back all that it stored. */
  rehearse<Result>(work: (desk: Desk) => Promise<Result>): Promise<Result>;
  close(): Promise<void>;
}

const KEEP = {
  resourceType: 'Parameters',
  parameter: [
    { name: 'decision', valueCode: 'keep' },
    { name: 'reason', valueString: 'weighed again, the same' },
    { name: 'who', valueString: 'Nurse Invented' },
  ],
};

export async function openWard(): Promise<Ward> {
  let nowMs = 0;
  let issued = 0;
  const clock = { nowMs: () => nowMs };
  const store = await openSqliteStore(':memory:', { clock });

  const deskOn = (where: Store): Desk => {
    const intake: Intake = createIntake({
      store: where,
      clock,
      policy: () => DEFAULT_POLICY,
      newId: () => `r${String((issued += 1)).padStart(8, '0')}`,
      knownBases: [],
      forwards: false,
    });
    return {
      post: async (measurement, receivedMs) => {
        nowMs = receivedMs;
        const { tree, text } = arrived(toObservation(measurement));
        return toAnswer(await intake.create(tree, text));
      },
      put: async ({ type, resource }, receivedMs) => {
        nowMs = receivedMs;
        const answer = await intake.putRegistry(type, resource.id, arrived(resource).tree);
        if (answer.verdict !== 'accepted') throw new Error(`${type}/${resource.id} was refused: ${toAnswer(answer).rules.join(', ')}`);
      },
      keep: async (id, decidedMs) => {
        nowMs = decidedMs;
        const { tree, text } = arrived(KEEP);
        await intake.decide(id, tree, text);
      },
    };
  };

  return {
    ...deskOn(store),
    rehearse: (work) => rehearse(store, (where) => work(deskOn(where))),
    close: () => store.close(),
  };
}

/** Thrown at the end of a rehearsal, so that its unit of work is rolled back. */
class TakenBack extends Error {}

async function rehearse<Result>(store: Store, work: (where: Store) => Promise<Result>): Promise<Result> {
  const done: Result[] = [];
  try {
    await store.write(async (writer) => {
      done.push(await work(within(store, writer)));
      throw new TakenBack();
    });
  } catch (error) {
    if (!(error instanceof TakenBack)) throw error;
  }
  return done[0] as Result;
}

/** A store whose units of work are all parts of one that is open. */
function within(store: Store, writer: StoreWriter): Store {
  return {
    read: writer,
    outbox: store.outbox,
    audit: store.audit,
    sessions: store.sessions,
    subscriptions: store.subscriptions,
    exports: store.exports,
    write: (work) => work(writer),
    waitingUnits: () => 0,
    onCommit: () => undefined,
    isReady: () => Promise.resolve(true),
    close: () => Promise.resolve(),
  };
}

function toAnswer({ verdict, outcome, resource }: IntakeAnswer): Answer {
  const said = outcome.issue.map(({ details, extension }) => ({
    rule: details?.coding?.find(({ system }) => system === OURS.ruleSystem)?.code ?? '',
    did: extension?.find(({ url }) => url === OURS.ruleOutcomeExtension)?.valueCode,
  }));
  const unique = (rules: readonly string[]): string[] => [...new Set(rules)];
  return {
    verdict,
    rules: unique(said.map(({ rule }) => rule)),
    deciding: unique(said.filter(({ did }) => did === 'refuse' || did === 'hold').map(({ rule }) => rule)),
    ...(resource && { storedAs: resource.id }),
  };
}
