import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { OURS } from '../../src/core/terminology.ts';
import { copiesOf, keep, NOON, observationText, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };
const height: InventedReading = { of: 'height', id: 'h-1', digits: '160.50' };
const bmi: InventedReading = { of: 'bmi', id: 'b-1', digits: '27.2', derivedFrom: ['Observation/w-1', 'Observation/h-1'] };
const stranger: InventedReading = { of: 'weight', id: 'w-9', digits: '80.0', person: 'Patient/lantern-9' };
const MINUTE_MS = 60_000;

let ward: Ward;
beforeEach(async () => {
  ward = await openWard();
});
afterEach(() => ward.close());

/** The one resource at the receiver that bears our identifier. */
function only(id: string) {
  const found = ward.receiver.resources().filter(({ text }) => text.includes(`"value":"${id}"`));
  expect(found).toHaveLength(1);
  return found[0] as NonNullable<(typeof found)[number]>;
}

function isLinked(): void {
  const place = `Observation/${only('h-1').id}`;
  expect(only('b-1').text).toContain(`{"reference":"${place}"}`);
  const provenances = ward.receiver.resources().filter(({ type }) => type === 'Provenance');
  expect(provenances.filter(({ text }) => text.includes(`"target":[{"reference":"${place}"}]`))).toHaveLength(1);
}

async function post(body: string): Promise<void> {
  const headers = { 'content-type': 'application/fhir+json' };
  const response = await fetch(`${ward.receiver.url}/Observation`, { method: 'POST', headers, body });
  expect(response.status).toBe(201);
}

async function comeBack(events: number): Promise<void> {
  await ward.untilEvents(events);
  ward.clock.advance(10 * MINUTE_MS);
}

describe('a height that never went to the EHR goes along with the BMI that needs it', () => {
  it('when it was stored while no EHR was configured, and where it went is remembered', async () => {
    await keep(ward.store, height);
    await take(ward.store, [weight, bmi]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    isLinked();
    expect(await ward.store.outbox.copyOf('Observation', 'h-1')).toMatchObject({ reference: `Observation/${only('h-1').id}`, version: 1 });
    expect(await ward.store.outbox.copyOf('Provenance', 'prov-h-1-1')).toMatchObject({ version: 1 });

    await take(ward.store, [
      { ...weight, id: 'w-2' },
      { ...bmi, id: 'b-2', derivedFrom: ['Observation/w-2', 'Observation/h-1'] },
    ]);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.receiver.bundles()[1]).not.toContain('"value":160.50');
    expect(only('b-2').text).toContain(`{"reference":"Observation/${only('h-1').id}"}`);
  });

  it('when its own item was discarded', async () => {
    await take(ward.store, [height]);
    await ward.store.outbox.discard(1, 'charted twice', NOON);
    await take(ward.store, [weight, bmi]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 2']);
    isLinked();
  });

  it('in its current version, which no later item sends again', async () => {
    await keep(ward.store, height);
    await take(ward.store, [weight, bmi]);
    await take(ward.store, [{ ...height, digits: '161.00', status: 'amended' }]);
    await take(ward.store, [{ ...bmi, digits: '27.0', status: 'amended' }]);
    ward.forward();
    await ward.untilEvents(3);
    expect(ward.events).toEqual(['sent 1', 'sent 2', 'sent 3']);
    isLinked();
    expect(ward.receiver.history(`Observation/${only('h-1').id}`)).toEqual([
      expect.objectContaining({ text: expect.stringContaining('"value":161.00,') as string }),
    ]);
    expect(ward.receiver.bundles()).toHaveLength(2);
    expect(ward.receiver.bundles()[1]).not.toContain('"value":161.00');
    expect(await ward.store.outbox.copyOf('Observation', 'h-1')).toMatchObject({ version: 2 });
  });

  it('also when it was voided, so that the reference leads somewhere', async () => {
    await keep(ward.store, height);
    await keep(ward.store, { ...height, status: 'entered-in-error' });
    await take(ward.store, [weight, { ...bmi, status: 'entered-in-error' }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    isLinked();
    expect(only('h-1').text).toContain('"status":"entered-in-error"');
  });

  it('and makes no second copy of one that came there by other means', async () => {
    await keep(ward.store, height);
    await post(observationText(height));
    await take(ward.store, [weight, bmi]);
    ward.forward();
    await ward.untilEvents(1);
    expect(copiesOf(ward.receiver, 'h-1')).toHaveLength(1);
    isLinked();
  });

  it('and is looked up with all else when the answer got lost', async () => {
    await keep(ward.store, height);
    ward.receiver.fail({ do: 'apply-then', then: { spoil: 'reset' } });
    await take(ward.store, [weight, bmi]);
    const worker = ward.forward();
    await comeBack(1);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['postponed 1 unclear', 'sent 1']);
    expect(ward.receiver.bundles()).toHaveLength(1);
    expect(copiesOf(ward.receiver, 'h-1')).toHaveLength(1);
    expect(await ward.store.outbox.copyOf('Observation', 'h-1')).toMatchObject({ reference: `Observation/${only('h-1').id}` });
  });
});

describe('what is referred to and may not go along', () => {
  const heldHeight: InventedReading = { ...height, status: 'preliminary', isHeld: true };
  const byIdentifier = (id: string) => `{"type":"Observation","identifier":{"system":"${OURS.observationIdentifier}","value":"${id}"}}`;

  it('is named by identifier: a held height is told to no EHR, and blocks nobody', async () => {
    await keep(ward.store, heldHeight);
    await take(ward.store, [weight, { ...bmi, status: 'entered-in-error' }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()[0]).not.toContain('"value":160.50');
    const place = ward.receiver.resources().find(({ text }) => text.includes('"value":70.0'))?.id;
    expect(ward.receiver.resources().find(({ text }) => text.includes('"value":27.2'))?.text).toContain(
      `"derivedFrom":[{"reference":"Observation/${place}"},${byIdentifier('h-1')}]`,
    );
    expect(await ward.store.outbox.copyOf('Observation', 'h-1')).toBeUndefined();
  });

  it('is not asked for when all that the item says is at the EHR', async () => {
    await keep(ward.store, heldHeight);
    await take(ward.store, [weight, bmi]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    const requests = ward.receiver.requests().length;
    const { person, resources, concerns, queuedAt } = await ward.item(1);
    await ward.store.write((tx) => tx.enqueue({ person, resources, concerns, queuedAt }));
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 2');
    expect(ward.receiver.requests()).toHaveLength(requests);
  });

  it('is named by its place when a look-up finds it at the EHR', async () => {
    await keep(ward.store, heldHeight);
    await post(observationText(height));
    await take(ward.store, [weight, bmi]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.requests().map(({ method }) => method)).toEqual(['POST', 'GET', 'POST']);
    expect(only('b-1').text).toContain(`{"reference":"Observation/${only('h-1').id}"}`);
  });

  it('sends nothing while the look-up fails, and says why when the EHR holds it twice', async () => {
    await keep(ward.store, heldHeight);
    await post(observationText(height));
    await post(observationText(height));
    ward.receiver.fail({ on: 'search', do: 'answer', status: 404 });
    await take(ward.store, [weight, bmi]);
    const worker = ward.forward();
    await comeBack(1);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['postponed 1 destination', 'parked 1']);
    expect((await ward.item(1)).reason).toBe('the EHR holds several resources of one identifier of ours (Observation)');
    expect(ward.receiver.bundles()).toEqual([]);
  });

  it('goes along after it was accepted', async () => {
    await keep(ward.store, heldHeight);
    ward.receiver.fail({ do: 'answer', status: 408 });
    await take(ward.store, [weight, bmi]);
    const worker = ward.forward();
    await comeBack(1);
    await keep(ward.store, height);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    isLinked();
  });

  it('is also what is filed for another person, whose own sendings bring it in order', async () => {
    await keep(ward.store, stranger);
    await take(ward.store, [{ ...weight, derivedFrom: ['Observation/w-9'] }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()[0]).not.toContain('"value":80.0');
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([expect.stringContaining(`"derivedFrom":[${byIdentifier('w-9')}]`)]);
  });

  it('is the end of a long chain of references', async () => {
    for (let link = 0; link < 80; link += 1) {
      await keep(ward.store, { ...weight, id: `w-link-${link}`, derivedFrom: [`Observation/w-link-${link + 1}`] });
    }
    await take(ward.store, [{ ...weight, derivedFrom: ['Observation/w-link-0'] }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()[0]?.match(/"fullUrl":/g)).toHaveLength(50);
  });

  it('is not what the store does not know: that reference stays as it was sent, and the EHR judges it', async () => {
    await take(ward.store, [{ ...weight, derivedFrom: ['Observation/theirs'] }]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.receiver.bundles()[0]).toContain('{"reference":"Observation/theirs"}');
    expect(ward.events).toEqual(['parked 1']);
  });
});
