/** The dry run of whole Bundles: what it says is what the real call then does, and nothing of it stays. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { JsonObject } from '../../src/core/json.ts';
import type { Rehearsal } from '../../src/ingest.ts';
import { arrived, parsed } from '../arrived.ts';
import { bmi, height, weight } from '../measurements.ts';
import { openDesk, type Desk } from './desk.ts';

const ADA = { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' };
const create = (resource: object, more: object = {}) => ({ resource, request: { method: 'POST', url: 'Observation' }, ...more });
const put = (url: string, resource: object, ifMatch?: string) => ({
  resource,
  request: { method: 'PUT', url, ...(ifMatch !== undefined && { ifMatch }) },
});
const bundleOf = (type: string, entry: readonly object[]) => ({ resourceType: 'Bundle', type, entry });

function rehearse(desk: Desk, resource: object): Promise<Rehearsal> {
  const { tree, text } = arrived(resource);
  return desk.intake.rehearse(tree, text);
}

/** Everything the store holds that anybody can ask for, digits and all. */
async function everything(desk: Desk): Promise<unknown> {
  const { read, audit, outbox } = desk.store;
  const { resources } = await read.searchObservations({ includeHeld: true, sort: [], count: 1000 });
  return {
    counts: await desk.counts(),
    observations: resources.map(({ text }) => text),
    refusals: await read.refusals(1000),
    audit: await audit.head(),
    outbox: await outbox.list({ limit: 1000 }),
  };
}

const ruleIds = (outcome: JsonObject): unknown[] =>
  (outcome['issue'] as unknown as { details?: { coding: { code: string }[] }; expression?: string[] }[]).map(({ details, expression }) => [
    details?.coding[0]?.code,
    expression,
  ]);

const anyEntry = fc.oneof(
  fc
    .record({
      value: fc.constantFrom('80.0', '80.3', '160.0', '70.33', '0.0', '300.0'),
      minute: fc.integer({ min: 0, max: 50 }),
      person: fc.constantFrom('Patient/ada', 'Patient/bo'),
    })
    .map(({ value, minute, person }) =>
      create(
        weight(value, 'kg', { subject: { reference: person }, effectiveDateTime: `2026-03-02T08:${String(minute).padStart(2, '0')}:00Z` }),
      ),
    ),
  fc.constantFrom('170.0', '171.5', '170.55').map((value) => create(height(value, 'cm', { effectiveDateTime: '2026-03-02T07:00:00Z' }))),
  fc.constantFrom<object>(
    create(bmi('27.7')),
    create({ ...weight(), status: 'done' }),
    put('Patient/ada', ADA),
    put('Observation/none', { ...weight(), id: 'none' }, 'W/"1"'),
    { resource: weight(), request: { method: 'DELETE', url: 'Observation/x' } },
  ),
);

describe('a rehearsal', () => {
  it('says of each entry what the real Bundle is then answered, and leaves nothing behind', async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.constantFrom('batch', 'transaction'),
        fc.array(anyEntry, { minLength: 1, maxLength: 7 }),
        async (type, entries) => {
          const desk = await openDesk();
          await desk.post(weight('80.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
          const before = await everything(desk);
          const { tree, text } = arrived(bundleOf(type, entries));
          const outcomeOf = async (run: () => Promise<unknown>): Promise<unknown> => run().catch((error: unknown) => String(error));
          const said = await outcomeOf(() => desk.intake.rehearse(tree, text));
          expect(await everything(desk)).toEqual(before);
          const done = await outcomeOf(() => desk.intake.bundle(tree, text));
          if (typeof said === 'string' || typeof done === 'string') {
            expect(said).toBe(done);
            return;
          }
          const { status, parts } = said as Rehearsal;
          const answer = done as { status: number; body: JsonObject };
          expect(status).toBe(answer.status);
          if (answer.body['resourceType'] === 'OperationOutcome') {
            expect(parts.map(({ root, outcome }) => [root, ruleIds(outcome as unknown as JsonObject)])).toEqual([
              ['Bundle', ruleIds(answer.body)],
            ]);
            return;
          }
          const responses = (answer.body['entry'] as JsonObject[]).map((entry) => entry['response'] as JsonObject);
          expect(parts.map((part) => [part.status, ruleIds(part.outcome as unknown as JsonObject)])).toEqual(
            responses.map(({ status: line, outcome }) => [Number.parseInt(String(line), 10), ruleIds(outcome as JsonObject)]),
          );
          expect(parts.map(({ stored }) => stored?.['valueQuantity'])).toEqual(
            await Promise.all(responses.map(async ({ location }) => valueAt(desk, location))),
          );
          expect(parts.flatMap(({ derived }) => derived.map(valueOf)).sort()).toEqual(
            (await Promise.all([desk.standing(), desk.standing('Patient/bo')]))
              .flat()
              .filter(({ weightId, heightId }) =>
                responses.some(({ location }) => [weightId, heightId].includes(String(location).split('/')[1] ?? '')),
              )
              .map(({ valueText }) => valueText)
              .sort(),
          );
        },
      ),
      { numRuns: 60 },
    );
  });

  it('shows what would be stored and derived, with the weight that it rests on', async () => {
    const desk = await openDesk();
    const { status, parts } = await rehearse(
      desk,
      bundleOf('batch', [
        put('Patient/ada', ADA),
        create(weight('72.4')),
        create(height('164.5', 'cm', { effectiveDateTime: '2026-03-02T07:00:00Z' })),
      ]),
    );
    expect([status, ...parts.map((part) => part.status)]).toEqual([200, 201, 201, 201]);
    expect(parts.map(({ root }) => root)).toEqual(['Bundle.entry[0].resource', 'Bundle.entry[1].resource', 'Bundle.entry[2].resource']);
    // 72.4 / 1.645² = 26.755 (WHO, Physical status, 1995: weight in kilograms by the square of the height in metres)
    expect(parts.map(({ derived }) => derived.map(valueOf))).toEqual([[], ['26.8'], []]);
    expect(parts[1]?.stored).toMatchObject({ resourceType: 'Observation', status: 'final', meta: { versionId: '1' } });
  });

  it('judges one Observation with what is stored of the person', async () => {
    const desk = await openDesk();
    await desk.post(height('164.5', 'cm', { effectiveDateTime: '2026-03-01T07:00:00Z' }));
    const before = await everything(desk);
    const { status, parts } = await rehearse(desk, weight('72.4'));
    expect(status).toBe(201);
    expect(parts.map(({ root, derived }) => [root, derived.map(valueOf)])).toEqual([['Observation', ['26.8']]]);
    expect(await everything(desk)).toEqual(before);
  });

  it('tells nobody of anything', async () => {
    const told: string[] = [];
    const desk = await openDesk({ onStored: () => void told.push('stored'), onPerson: (key) => void told.push(key) });
    await rehearse(desk, weight());
    await rehearse(desk, bundleOf('transaction', [create(weight())]));
    expect(told).toEqual([]);
  });

  it('of a failed transaction stores none of it, and its refusal neither', async () => {
    const desk = await openDesk();
    const before = await everything(desk);
    const { status, parts } = await rehearse(desk, bundleOf('transaction', [create(weight('80.0')), create(weight('70.33'))]));
    expect(status).toBe(422);
    expect(parts.map(({ root }) => root)).toEqual(['Bundle']);
    expect(parts[0]?.outcome.issue[0]?.expression).toEqual(['Bundle.entry[1].resource.value.ofType(Quantity).value']);
    expect(await everything(desk)).toEqual(before);
  });

  it('throws what the real call throws', async () => {
    const desk = await openDesk();
    await expect(rehearse(desk, bundleOf('collection', [{ resource: weight() }]))).rejects.toMatchObject({ code: 'ERR_NOT_SUPPORTED' });
  });
});

function valueOf(resource: JsonObject): string {
  return String((resource['valueQuantity'] as { value: { value: string } }).value.value);
}

async function valueAt(desk: Desk, location: unknown): Promise<unknown> {
  const [, type, id] = /^(\w+)\/([^/]+)\//.exec(String(location)) ?? [];
  if (type !== 'Observation' && type !== 'Patient') return undefined;
  const stored = await desk.store.read.current(type, String(id));
  return stored && parsed(stored.text)['valueQuantity'];
}
