/** A checker that cannot fail is worth nothing: each invariant is broken in a good day's evidence, and found. */
import { beforeAll, describe, expect, it } from 'vitest';
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { HELD_TAG } from '../../src/core/terminology.ts';
import { check, INVARIANTS, type Invariant } from './checker.ts';
import { conclude } from './conclusion.ts';
import type { Evidence, Received, StoredObservation } from './evidence.ts';
import { MARKER } from './gateway-plan.ts';
import { Nemesis } from './nemesis.ts';
import { current, digitsIn, gatewayIdentifiers, identityAtEhr, isAccepted, isDerived, isHeld, statusOf } from './observed.ts';
import { CALM } from './table/calm.ts';

const SEED = 20260302;
let good: Evidence;

beforeAll(async () => {
  const nemesis = await Nemesis.begin(CALM, 'short', SEED);
  try {
    await CALM.run(nemesis);
    const problems: string[] = [];
    good = { ...(await conclude(nemesis, { problems })), auditChain: 'whole' };
    expect(problems).toEqual([]);
  } finally {
    await nemesis.end({ keep: false });
  }
}, 120_000);

type Planted = readonly [what: string, invariant: Invariant, plant: (evidence: Evidence) => Evidence];

const accepted = ({ stored }: Evidence): StoredObservation => stored.find((one) => isMeasured(one) && isAccepted(current(one).content))!;
const held = ({ stored }: Evidence): StoredObservation => stored.find(({ versions }) => versions.every(({ content }) => isHeld(content)))!;
const isMeasured = (one: StoredObservation): boolean => !isDerived(current(one).content) && digitsIn(current(one).content) !== '';
const copyOf = ({ received }: Evidence, { id }: StoredObservation): Received => received.find((one) => identityAtEhr(one) === id)!;

function without<Thing>(things: readonly Thing[], thing: Thing): readonly Thing[] {
  return things.filter((one) => one !== thing);
}

function withContent(evidence: Evidence, of: StoredObservation, change: (content: JsonObject) => JsonObject): Evidence {
  const changed = { ...of, versions: of.versions.map((one) => ({ ...one, content: change(one.content) })) };
  return { ...evidence, stored: evidence.stored.map((one) => (one === of ? changed : one)) };
}

function withCopy(evidence: Evidence, of: StoredObservation, change: (content: JsonObject) => JsonObject): Evidence {
  const copy = copyOf(evidence, of);
  return { ...evidence, received: evidence.received.map((one) => (one === copy ? { ...one, content: change(one.content) } : one)) };
}

const weighing = (digits: string) => (content: JsonObject) => ({
  ...content,
  valueQuantity: { ...(content['valueQuantity'] as JsonObject), value: exactNumber(digits) },
});

const PLANTED: readonly Planted[] = [
  ['an acknowledged reading that the store lacks', 'I1', (e) => ({ ...e, placeOf: new Map([...e.placeOf].map(([key]) => [key, []])) })],
  ['an Observation that is gone', 'I1', (e) => ({ ...e, stored: without(e.stored, accepted(e)) })],
  ['a trailing zero that is gone', 'I1', (e) => withContent(e, accepted(e), (one) => weighing(`${digitsIn(one)}0`)(one))],
  ['an identifier that leads to another reading', 'I1', (e) => ({ ...e, placeOf: new Map([...e.placeOf].map(([key]) => [key, ['w-0']])) })],
  ['a correction that was answered and is not stored', 'I1', (e) => ({ ...e, history: [...e.history, ...answeredAsCorrected(e)] })],
  ['a reading without its Provenance', 'I2', (e) => withStored(e, accepted(e), { hasProvenance: [false] })],
  ['a reading that counts and is not queued', 'I2', (e) => ({ ...e, outbox: e.outbox.slice(1) })],
  ['an outbox item of a version that is not there', 'I2', (e) => ({ ...e, stored: without(e.stored, accepted(e)) })],
  ['a reading whose identifier was forgotten', 'I2', (e) => ({ ...e, placeOf: new Map([...e.placeOf].map(([key]) => [key, ['w-0']])) })],
  ['a version that is as old as the one before', 'I2', (e) => withSameInstant(e)],
  ['a copy of a copy', 'I3', (e) => ({ ...e, received: [...e.received, { ...copyOf(e, accepted(e)), reference: 'Observation/9999' }] })],
  ['the same measurement under another identity', 'I3', (e) => ({ ...e, received: [...e.received, disguised(copyOf(e, accepted(e)))] })],
  ['a second Provenance of one version', 'I3', (e) => ({ ...e, received: [...e.received, secondProvenance(e)] })],
  ['a reading that never arrived', 'I4', (e) => ({ ...e, received: without(e.received, copyOf(e, accepted(e))) })],
  ['an item that still waits', 'I4', (e) => ({ ...e, outbox: e.outbox.map((item) => ({ ...item, state: 'waiting' })) })],
  ['an item that is parked', 'I4', (e) => ({ ...e, outbox: e.outbox.map((item) => ({ ...item, state: 'parked' })) })],
  [
    'a held reading at the EHR',
    'I5',
    (e) => ({ ...e, received: [...e.received, { ...copyOf(e, accepted(e)), content: current(held(e)).content }] }),
  ],
  ['a reading that we hold and the EHR has as final', 'I5', (e) => withContent(e, accepted(e), asHeld)],
  [
    'after a restore too, something at the EHR that is not ours',
    'I5',
    (e) => ({ ...afterRestore(e), stored: without(e.stored, accepted(e)), placeOf: new Map() }),
  ],
  [
    'a reading that was acknowledged before a backup and did not come again',
    'I1',
    (e) => ({ ...afterRestore(e), placeOf: new Map([...e.placeOf].map(([key]) => [key, []])) }),
  ],
  ['a lost reading of somebody else than was removed', 'I1', (e) => ({ ...withRemoved(e), placeOf: new Map() })],
  ['a void reading that the EHR has as final', 'I5', (e) => withContent(e, accepted(e), (one) => ({ ...one, status: 'entered-in-error' }))],
  ['something at the EHR that is not ours', 'I5', (e) => ({ ...e, stored: without(e.stored, accepted(e)) })],
  ['a refused reading at the EHR', 'I5', (e) => withCopy(e, accepted(e), (one) => ({ ...one, identifier: refusedIdentifier(e) }))],
  ['an older value at the EHR', 'I6', (e) => withCopy(e, accepted(e), weighing('12.3'))],
  ['an older status at the EHR', 'I6', (e) => withCopy(e, accepted(e), (one) => ({ ...one, status: 'amended' }))],
  ['a stale figure', 'I7', (e) => ({ ...e, recomputed: { ...e.recomputed, differences: ['b-1 ought to have version 2'] } })],
  ['a broken audit chain', 'I8', (e) => ({ ...e, auditChain: 'broken' })],
  ['a reading that nobody sent', 'I8', (e) => withContent({ ...e, history: [] }, accepted(e), (one) => one)],
  ['a refusal that was not kept', 'I8', (e) => ({ ...e, refused: [] })],
  ['a name in the log', 'I9', (e) => ({ ...e, said: [{ where: 'the log', text: `{"display":"${MARKER.toUpperCase()}"}` }] })],
  [
    'an identifier in an answer',
    'I9',
    (e) => ({ ...e, history: e.history.map((line) => (line.at === 'answer' ? { ...line, body: MARKER } : line)) }),
  ],
  ['health that does not answer', 'I10', (e) => ({ ...e, health: [200, 0] })],
];

function withStored(evidence: Evidence, of: StoredObservation, change: Partial<StoredObservation>): Evidence {
  return { ...evidence, stored: evidence.stored.map((one) => (one === of ? { ...one, ...change } : one)) };
}

function withSameInstant(evidence: Evidence): Evidence {
  const twice = evidence.stored.find(({ versions }) => versions.length > 1)!;
  return withStored(evidence, twice, { versions: twice.versions.map((one) => ({ ...one, lastUpdated: twice.versions[0]!.lastUpdated })) });
}

function answeredAsCorrected({ history }: Evidence): Evidence['history'] {
  const call = history.find((line) => line.at === 'call' && line.method === 'POST')!;
  if (call.at !== 'call') return [];
  const reading = { ...call.readings[0]!, status: 'corrected', digits: '12.3' };
  return [
    { ...call, n: 99_999, method: 'PUT', readings: [reading] },
    { at: 'answer', n: 99_999, status: 200, answers: [{ status: 200 }], body: '', hasRetryAfter: false },
  ];
}

function disguised({ content, ...rest }: Received): Received {
  return { ...rest, reference: 'Observation/9999', content: { ...content, identifier: [] } };
}

function secondProvenance({ received }: Evidence): Received {
  return { ...received.find(({ type }) => type === 'Provenance')!, reference: 'Provenance/9999' };
}

function afterRestore(evidence: Evidence): Evidence {
  return { ...evidence, history: [{ at: 'backup' }, ...evidence.history, { at: 'restored' }] };
}

function withRemoved(evidence: Evidence): Evidence {
  return { ...evidence, history: [...evidence.history, { at: 'removed', person: `Patient/${MARKER}-nobody` }] };
}

function asHeld(content: JsonObject): JsonObject {
  return { ...content, status: 'preliminary', meta: { tag: [{ ...HELD_TAG }] } };
}

function refusedIdentifier({ history }: Evidence): JsonObject[] {
  const refusal = history.find((line) => line.at === 'answer' && line.status === 422)!;
  const call = history.find((line) => line.at === 'call' && 'n' in refusal && line.n === refusal.n)!;
  const value = call.at === 'call' ? call.readings[0]!.identifier : '';
  return [{ system: 'urn:gateway:harbourlight-invented', value }];
}

describe('the checker', () => {
  it('finds a good day good, having looked at something for every invariant', () => {
    const { verdicts, acknowledged, lost, doubled } = check(good);
    for (const invariant of Object.keys(INVARIANTS) as Invariant[])
      expect([invariant, verdicts[invariant]]).toEqual([invariant, { verdict: 'valid', looked: expect.any(Number) as number, found: [] }]);
    expect([acknowledged > 25, lost, doubled]).toEqual([true, 0, 0]);
  });

  it.each(PLANTED)('finds %s (%s)', (_what, invariant, plant) => {
    const { verdict, found } = check(plant(good)).verdicts[invariant];
    expect([verdict, found.length > 0]).toEqual(['invalid', true]);
  });

  it('has a planted violation for every invariant', () => {
    expect(new Set(PLANTED.map(([, invariant]) => invariant))).toEqual(new Set(Object.keys(INVARIANTS)));
  });

  it('says "unknown" of everything when there is nothing to look at', () => {
    const nothing: Evidence = {
      ...{ history: [], stored: [], placeOf: new Map(), refused: [], outbox: [], received: [], said: [], health: [] },
      recomputed: { persons: 0, differences: [] },
    };
    expect(Object.values(check(nothing).verdicts).map(({ verdict }) => verdict)).toEqual(Object.keys(INVARIANTS).map(() => 'unknown'));
  });

  it('counts what is lost and what is doubled', () => {
    const copy = copyOf(good, accepted(good));
    const worse = {
      ...good,
      stored: without(good.stored, accepted(good)),
      received: [...good.received, { ...copy, reference: 'Observation/9999' }],
    };
    const [identifier = ''] = gatewayIdentifiers(current(accepted(good)).content);
    const sendings = check(worse);
    expect([sendings.lost > 0, sendings.doubled > 0, identifier.startsWith(MARKER), statusOf(copy.content)]).toEqual([
      true,
      true,
      true,
      'final',
    ]);
  });
});
