import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { referencedObservations } from '../../src/forward/outgoing-bundle.ts';
import { copiesOf, MARKER, NOON, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };
const height: InventedReading = { of: 'height', id: 'h-1', digits: '160.50' };
const bmi: InventedReading = { of: 'bmi', id: 'b-1', digits: '27.2', derivedFrom: ['Observation/w-1', 'Observation/h-1'] };

let ward: Ward;
beforeEach(async () => {
  ward = await openWard();
});
afterEach(() => ward.close());

/** The one resource of a type at the receiver that bears our identifier. */
function only(id: string) {
  const found = ward.receiver.resources().filter(({ text }) => text.includes(`"value":"${id}"`));
  expect(found).toHaveLength(1);
  return found[0] as NonNullable<(typeof found)[number]>;
}

describe('what arrives at the EHR', () => {
  it('is one transaction Bundle for each outbox item', async () => {
    await take(ward.store, [weight]);
    await take(ward.store, [{ ...weight, id: 'w-2', digits: '70.50', person: 'Patient/lantern-2' }]);
    ward.forward();
    await ward.untilEvents(2);
    expect(ward.events.toSorted()).toEqual(['sent 1', 'sent 2']);
    expect(ward.receiver.bundles()).toHaveLength(2);
    expect(
      ward.receiver
        .resources()
        .map(({ type }) => type)
        .toSorted(),
    ).toEqual(['Observation', 'Observation', 'Provenance', 'Provenance']);
  });

  it.each(['70.0', '70.50', '0.10', '70', '100.000'])('keeps the written digits of %s', async (digits) => {
    await take(ward.store, [{ ...weight, digits }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.receiver.bundles()[0]).toContain(`"valueQuantity":{"value":${digits},`);
    expect(only('w-1').text).toContain(`"valueQuantity":{"value":${digits},`);
  });

  it('leaves id, versionId and lastUpdated to the EHR and keeps profiles, identifiers and the subject as written', async () => {
    await take(ward.store, [weight]);
    ward.forward();
    await ward.untilEvents(1);
    const sent = ward.receiver.bundles()[0] as string;
    expect(sent).not.toMatch(/"id":|versionId|lastUpdated/);
    expect(sent).toContain('"meta":{"profile":[');
    expect(sent).toContain('"subject":{"reference":"Patient/lantern-1"');
    expect(sent).toContain('"device":{"reference":"Device/scale-7"}');
    expect(sent).toContain('"system":"urn:gateway"');
  });

  it("links a BMI, its inputs and all Provenance by the EHR's own ids", async () => {
    await take(ward.store, [weight, height, bmi]);
    ward.forward();
    await ward.untilEvents(1);
    const place = (id: string): string => `Observation/${only(id).id}`;
    expect(referencedObservations(only('b-1').content).map((id) => `Observation/${id}`)).toEqual([place('w-1'), place('h-1')]);
    const provenances = ward.receiver.resources().filter(({ type }) => type === 'Provenance');
    expect(provenances.map(({ text }) => text)).toEqual([
      expect.stringContaining(`"target":[{"reference":"${place('w-1')}"}]`),
      expect.stringContaining(`"target":[{"reference":"${place('h-1')}"}]`),
      expect.stringContaining(`"target":[{"reference":"${place('b-1')}"}]`),
    ]);
    expect(provenances[2]?.text).toContain(`"what":{"reference":"${place('h-1')}"}`);
  });

  it('refers to a height that went out earlier by its literal id', async () => {
    await take(ward.store, [height]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    await take(ward.store, [weight, bmi]);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.receiver.bundles()[1]).toContain(`{"reference":"Observation/${only('h-1').id}"}`);
    expect(ward.receiver.bundles()[1]).not.toContain('Observation?identifier');
  });
});

describe('corrections', () => {
  it('become a new version of the same resource', async () => {
    await take(ward.store, [weight, height, bmi]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    await take(ward.store, [
      { ...weight, digits: '72.0', status: 'amended' },
      { ...bmi, digits: '28.0', status: 'amended' },
    ]);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.receiver.history(`Observation/${only('w-1').id}`).map(({ text }) => /"value":([\d.]+)/.exec(text)?.[1])).toEqual([
      '70.0',
      '72.0',
    ]);
    expect(only('b-1').version).toBe(2);
    expect(only('h-1').version).toBe(1);
    expect((await ward.store.outbox.copyOf('Observation', 'w-1'))?.version).toBe(2);
  });

  it('take a BMI back as entered-in-error', async () => {
    await take(ward.store, [weight, height, bmi]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    await take(ward.store, [{ ...bmi, status: 'entered-in-error' }]);
    worker.wake();
    await ward.untilEvents(2);
    expect(only('b-1').text).toContain('"status":"entered-in-error"');
  });

  it('update by identifier when the first version never went out', async () => {
    await take(ward.store, [weight]);
    await ward.store.outbox.park(1, 'never sent');
    await ward.store.outbox.discard(1, 'never sent', NOON);
    await take(ward.store, [{ ...weight, digits: '71.0' }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.receiver.bundles()[0]).toContain('"request":{"method":"PUT","url":"Observation?identifier=');
    expect(only('w-1').text).toContain('"value":71.0,');
  });
});

describe('order', () => {
  it('is kept within a person while four persons are served at once', async () => {
    for (let round = 1; round <= 5; round += 1) {
      for (let person = 1; person <= 6; person += 1) {
        await take(ward.store, [{ ...weight, id: `w-${person}`, person: `Patient/lantern-${person}`, digits: `7${round}.0` }]);
      }
    }
    ward.forward();
    await ward.untilEvents(30);
    for (let person = 1; person <= 6; person += 1) {
      const versions = ward.receiver.history(`Observation/${only(`w-${person}`).id}`);
      expect(versions.map(({ text }) => /"value":([\d.]+)/.exec(text)?.[1])).toEqual(['71.0', '72.0', '73.0', '74.0', '75.0']);
    }
  });

  it('holds a parked correction back from nobody but those that depend on it', async () => {
    ward.receiver.fail({ do: 'answer', status: 422 });
    await take(ward.store, [weight]);
    await take(ward.store, [{ ...weight, digits: '71.0' }]);
    await take(ward.store, [{ ...weight, id: 'w-9', person: 'Patient/lantern-9' }]);
    const worker = ward.forward({ parallel: 1 });
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['parked 1', 'sent 3']);
    expect(await ward.item(2)).toMatchObject({ state: 'parked', blockedBy: 1 });

    await ward.store.outbox.retry(1, ward.clock.nowMs());
    worker.wake();
    await ward.untilEvents(4);
    expect(ward.events.slice(2)).toEqual(['sent 1', 'sent 2']);
    expect(only('w-1').text).toContain('"value":71.0,');
  });

  it('lets a person go on while another one waits for a retry', async () => {
    ward.receiver.fail({ do: 'answer', status: 408 });
    await take(ward.store, [weight]);
    await take(ward.store, [{ ...weight, digits: '71.0' }]);
    await take(ward.store, [{ ...weight, id: 'w-9', person: 'Patient/lantern-9' }]);
    const worker = ward.forward({ parallel: 1 });
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['postponed 1 transient', 'sent 3']);
    ward.clock.advance(1_000);
    worker.wake();
    await ward.untilEvents(4);
    expect(ward.events.slice(2)).toEqual(['sent 1', 'sent 2']);
  });
});

it('speaks of nobody in URLs, headers and log lines', async () => {
  ward.receiver.fail({ do: 'answer', status: 422, body: outcomeQuotingTheMarker() }, { do: 'apply-then', then: { spoil: 'reset' } });
  await take(ward.store, [{ ...weight, id: 'w-9', person: `Patient/${MARKER}` }]);
  await take(ward.store, [weight, height, bmi]);
  const worker = ward.forward({ parallel: 1 });
  await ward.untilEvents(2);
  ward.clock.advance(10_000);
  worker.wake();
  await ward.untilEvents(3);
  expect(ward.events).toEqual(['parked 1', 'postponed 2 unclear', 'sent 2']);
  expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  const outside = ward.receiver.requests().map(({ url, headers }) => ({ url, headers }));
  expect(outside.map(({ url }) => url)).toEqual(
    expect.arrayContaining(['/fhir', expect.stringMatching(/^\/fhir\/Observation\?identifier=/)]),
  );
  const items = await ward.store.outbox.list({ limit: 10 });
  expect(JSON.stringify([outside, ward.logged, items.map(({ reason }) => reason)])).not.toContain(MARKER);
  expect(items[0]?.reason).toBe('the EHR refuses the content (status 422, issues business-rule)');
});

function outcomeQuotingTheMarker(): string {
  const issue = [
    { severity: 'error', code: 'business-rule', diagnostics: `weight of ${MARKER}` },
    { severity: 'error', code: MARKER },
  ];
  return JSON.stringify({ resourceType: 'OperationOutcome', issue });
}
