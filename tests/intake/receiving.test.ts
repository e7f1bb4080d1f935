/** Messages through the real listener, engine and store: what is stored, and what is answered when. */
import { afterEach, describe, expect, test } from 'vitest';
import type { ObservationSearch, Store } from '../../src/ports.ts';
import { StoreUnavailable } from '../../src/ports.ts';
import { HEIGHT, INVENTED_NUMBER, message, WEIGHT, type MessageParts } from './messages.ts';
import { block, openClient, segment, segments, type Client } from './mllp-client.ts';
import { counted, startReceiving, type Receiving, type ReceivingParts } from './receiving.ts';

const open: Receiving[] = [];
afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});
async function receiving(parts: ReceivingParts = {}): Promise<Receiving & { readonly client: Client }> {
  const started = await startReceiving(parts);
  open.push(started);
  return { ...started, client: await openClient(started.server.port) };
}

const ALL: ObservationSearch = { includeHeld: true, sort: [{ by: 'date', descending: false }], count: 50 };
interface Stored {
  readonly id: string;
  readonly status: string;
  readonly meta: { readonly versionId: string };
  readonly valueQuantity?: { readonly value: number };
  readonly code: { readonly coding: readonly { readonly code: string }[] };
}
async function stored(store: Store): Promise<{ readonly texts: readonly string[]; readonly weights: readonly Stored[] }> {
  const texts = (await store.read.searchObservations(ALL)).resources.map(({ text }) => text);
  const all = texts.map((text) => JSON.parse(text) as Stored);
  return { texts, weights: all.filter(({ code }) => code.coding.some((coding) => coding.code === '29463-7')) };
}
const said = (answer: string): string => segment(answer, 'MSA')[1] ?? '';
/** Severity, place and rule of each ERR. */
const remarks = (answer: string): string[] =>
  segments(answer, 'ERR').map((err) => `${err[4]} ${err[2]} ${err[5]?.split('^')[0] ?? ''}`.trim());
const weight = (fields: Readonly<Record<number, string>>): string => {
  const parts = WEIGHT.split('|');
  for (const [field, value] of Object.entries(fields)) parts[Number(field) - 2] = value;
  return parts.join('|');
};
const withId = (id: string, parts: MessageParts): string => message({ ...parts, header: { ...parts.header, 10: id } });

describe('a message', () => {
  test('is stored with its written digits, its BMI derived, and then acknowledged', async () => {
    const { client, store, metrics } = await receiving();
    const answer = await client.ask(message({ obx: [WEIGHT, HEIGHT] }));
    expect(segment(answer, 'MSA')).toEqual(['MSA', 'AA', 'C-1']);
    expect(segments(answer, 'ERR').map((err) => err[4])).not.toContain('E');
    const { texts } = await stored(store);
    expect(texts).toHaveLength(3);
    expect(texts.join('')).toContain('"valueQuantity":{"value":70.0,"unit":"kg"');
    expect(texts.join('')).toContain('"39156-5"');
    expect(await counted(metrics, 'steelyard_readings_total{verdict="accepted"}')).toBe(2);
    expect(await counted(metrics, 'steelyard_mllp_messages_total{result="accept"}')).toBe(1);
  });

  test('that comes again is acknowledged again and stored once', async () => {
    const { client, store } = await receiving();
    await client.ask(message({ obx: [WEIGHT, HEIGHT] }));
    const answer = await client.ask(message({ obx: [WEIGHT, HEIGHT] }));
    expect([said(answer), remarks(answer)]).toEqual(['AA', ['I OBX^1 resent', 'I OBX^2 resent']]);
    const again = await client.ask(message({ header: { 10: 'C-2', 3: 'OTHER' }, obr: '', obx: [WEIGHT] }));
    expect(remarks(again)).toEqual(['I OBX^1 resent']);
    const { weights } = await stored(store);
    expect(weights.map(({ meta }) => meta.versionId)).toEqual(['1']);
  });

  test('keeps a sound reading when another is refused, and says which is which', async () => {
    const { client, store, metrics } = await receiving();
    const answer = await client.ask(message({ obx: [weight({ 5: '20.09414' }), HEIGHT] }));
    expect(said(answer)).toBe('AE');
    expect(remarks(answer)[0]).toBe('E OBX^1^5 precision-step');
    expect(segments(answer, 'ERR').find((err) => err[8]?.includes('It need not be sent again'))?.[2]).toBe('OBX^2');
    expect((await stored(store)).texts).toHaveLength(1);
    const [refusal] = await store.read.refusals(5);
    expect(refusal?.text).toContain('"value":20.09414');
    expect(await counted(metrics, 'steelyard_readings_total{verdict="refused"}')).toBe(1);
    expect(await counted(metrics, 'steelyard_findings_total{rule="precision-step"}')).toBe(1);
  });

  test('keeps a sound reading beside one that is no number, too', async () => {
    const { client, store } = await receiving();
    const answer = await client.ask(message({ obx: [weight({ 2: 'ST', 5: 'heavy' }), HEIGHT] }));
    expect([said(answer), remarks(answer)[0]]).toEqual(['AE', 'E OBX^1^2 transport-bad-value']);
    expect((await stored(store)).texts).toHaveLength(1);
  });

  test('with a doubtful reading is acknowledged with a warning, since it is stored and waits', async () => {
    const { client, store } = await receiving();
    const answer = await client.ask(message({ obx: [weight({ 14: '20240302080500+0100' })] }));
    expect(said(answer)).toBe('AA');
    expect(remarks(answer)).toEqual(expect.arrayContaining([expect.stringMatching(/^W OBX\^1\^14 time-old/)]));
    expect((await stored(store)).weights).toMatchObject([{ status: 'preliminary' }]);
  });

  test.each([
    ['a unit that is none of UCUM', { 6: 'lb' }, 'E OBX^1^6 unit-code'],
    ['a local code', { 3: 'WT^Weight^L' }, 'E OBX^1^3 code-not-served'],
    ['another measurement', { 3: '8867-4^Heart rate^LN' }, 'E OBX^1^3 code-not-served'],
    ['a value beyond its scale', { 8: '>' }, 'E OBX^1^5 value-comparator'],
    ['a time in the future', { 14: '20260303080500+0100' }, 'E OBX^1^14 time-future'],
    ['a sentinel for no number', { 5: '8388607' }, 'E OBX^1^5 value-impossible'],
  ])('with %s is refused by the rule of FHIR', async (_what, fields, remark) => {
    const { client, store } = await receiving();
    const answer = await client.ask(message({ obx: [weight(fields)] }));
    expect([said(answer), remarks(answer)]).toEqual(['AE', expect.arrayContaining([remark])]);
    expect((await stored(store)).texts).toEqual([]);
  });

  test('whose times have no offset is refused, and taken with the zone of its gateway', async () => {
    const parts = { header: { 7: '20260302080700' }, obx: [weight({ 14: '20260302080500' })] };
    const first = await receiving();
    const answer = await first.client.ask(message(parts));
    expect([said(answer), remarks(answer)]).toEqual(['AE', expect.arrayContaining(['E OBX^1^14 time-without-offset'])]);
    const second = await receiving({ senderOf: () => ({ caller: {}, zone: 'Europe/Berlin' }) });
    expect(said(await second.client.ask(message(parts)))).toBe('AA');
    expect((await stored(second.store)).texts[0]).toContain('"effectiveDateTime":"2026-03-02T08:05:00+01:00"');
  });

  test.each<[string, string, string, RegExp]>([
    ['another type', message({ header: { 9: 'ADT^A01' } }), '200', /Only ORU/],
    ['test data', message({ header: { 11: 'T' } }), '202', /production data/],
    ['an unknown version', message({ header: { 12: '1.0' } }), '203', /no version/],
    ['no message at all', 'hello', '100', /begins with the segment MSH/],
    ['an unknown character set', message({ header: { 18: 'KS X 1001' } }), '102', /character set/],
    ['a zero byte', message({ obx: [weight({ 5: '7\u00000.0' })] }), '102', /control characters/],
  ])('that is %s is rejected', async (_what, text, code, problem) => {
    const { client, store, metrics } = await receiving();
    const answer = await client.ask(text);
    expect([said(answer), segment(answer, 'ERR')[3]?.split('^')[0]]).toEqual(['AR', code]);
    expect(segment(answer, 'ERR')[8]).toMatch(problem);
    expect((await stored(store)).texts).toEqual([]);
    expect(await counted(metrics, 'steelyard_mllp_messages_total{result="reject"}')).toBe(1);
    expect(said(await client.ask(message()))).toBe('AA');
  });

  test('without a reading is no success', async () => {
    const { client } = await receiving();
    const answer = await client.ask(message({ obx: [] }));
    expect([said(answer), segment(answer, 'ERR')[8]]).toEqual(['AE', expect.stringMatching(/nothing was stored/)]);
  });

  test('with more readings than may be is refused whole', async () => {
    const { client, store } = await receiving();
    const answer = await client.ask(message({ obx: Array.from({ length: 201 }, (_, index) => weight({ 4: String(index) })) }));
    expect([said(answer), segment(answer, 'ERR')[3]]).toEqual(['AE', '104^Value too long^HL70357']);
    expect((await stored(store)).texts).toEqual([]);
  });

  test('leaves one audit event for each reading, and one for what could not be judged', async () => {
    const { client, store } = await receiving();
    await client.ask(message({ obx: [WEIGHT, HEIGHT] }));
    await client.ask(message({ header: { 9: 'ADT^A01' } }));
    const { events } = await store.audit.search({ count: 10 });
    const texts = events.map(({ text }) => text);
    expect(texts.filter((text) => text.includes('"create"'))).toHaveLength(3);
    expect(texts.filter((text) => text.includes('transport-not-supported'))).toHaveLength(1);
  });
});

describe('a correction', () => {
  test('with C takes the place of what it corrects; sent twice it is stored once', async () => {
    const { client, store } = await receiving();
    await client.ask(withId('1', {}));
    expect(said(await client.ask(withId('2', { obx: [weight({ 5: '71.0', 11: 'C' })] })))).toBe('AA');
    expect((await stored(store)).weights).toMatchObject([{ status: 'corrected', valueQuantity: { value: 71 }, meta: { versionId: '2' } }]);
    const again = await client.ask(withId('2', { obx: [weight({ 5: '71.0', 11: 'C' })] }));
    expect(remarks(again)).toEqual(['I OBX^1 resent']);
    const late = await client.ask(withId('1', {}));
    expect(remarks(late)).toEqual(['I OBX^1 resent']);
    expect((await stored(store)).weights).toMatchObject([{ valueQuantity: { value: 71 }, meta: { versionId: '2' } }]);
  });

  test('may go back to what was before, and forth again', async () => {
    const { client, store } = await receiving();
    await client.ask(withId('1', {}));
    for (const [index, value] of ['71.0', '70.0', '71.0'].entries())
      expect(said(await client.ask(withId(`c${index}`, { obx: [weight({ 5: value, 11: 'C' })] })))).toBe('AA');
    expect((await stored(store)).weights).toMatchObject([{ valueQuantity: { value: 71 }, meta: { versionId: '4' } }]);
  });

  test('of what was never received is a reading of its own', async () => {
    const { client, store } = await receiving();
    expect(said(await client.ask(message({ obx: [weight({ 11: 'C' })] })))).toBe('AA');
    expect((await stored(store)).weights).toMatchObject([{ status: 'corrected' }]);
  });

  test('without C is refused, and nothing is changed', async () => {
    const { client, store } = await receiving();
    await client.ask(withId('1', {}));
    const answer = await client.ask(withId('2', { obx: [weight({ 5: '71.0' })] }));
    expect([said(answer), remarks(answer)]).toEqual(['AE', ['E OBR^1^3 identifier-conflict']]);
    expect(segment(answer, 'ERR')[8]).toMatch(/send a correction with C in OBX-11/);
    expect((await stored(store)).weights).toMatchObject([{ valueQuantity: { value: 70 } }]);
  });

  test('with F makes final what was preliminary', async () => {
    const { client, store } = await receiving();
    await client.ask(withId('1', { obx: [weight({ 11: 'P' })] }));
    expect((await stored(store)).weights).toMatchObject([{ status: 'preliminary' }]);
    expect(said(await client.ask(withId('2', {})))).toBe('AA');
    expect((await stored(store)).weights).toMatchObject([{ status: 'final', meta: { versionId: '2' } }]);
  });

  test.each(['W', 'D'])('with %s withdraws the reading with what it said, and its BMI', async (code) => {
    const { client, store } = await receiving();
    await client.ask(withId('1', { obx: [WEIGHT, HEIGHT] }));
    const withdrawal = withId('2', { obx: [weight({ 2: '', 5: '', 6: '', 11: code })] });
    expect(said(await client.ask(withdrawal))).toBe('AA');
    const { texts, weights } = await stored(store);
    expect(weights).toMatchObject([{ status: 'entered-in-error', valueQuantity: { value: 70 } }]);
    expect(texts.filter((text) => text.includes('"39156-5"')).every((text) => text.includes('"entered-in-error"'))).toBe(true);
    expect(remarks(await client.ask(withdrawal))).toEqual(['I OBX^1 resent']);
  });

  test('with W of what was never received is refused', async () => {
    const { client } = await receiving();
    const answer = await client.ask(message({ obx: [weight({ 11: 'W' })] }));
    expect([said(answer), remarks(answer)]).toEqual(['AE', expect.arrayContaining(['E OBX^1^11 correction-unknown'])]);
  });

  test('with X says that the weighing did not take place', async () => {
    const { client, store } = await receiving();
    expect(said(await client.ask(message({ obx: [weight({ 2: '', 5: '', 6: '', 11: 'X' })] })))).toBe('AA');
    expect((await stored(store)).weights).toMatchObject([{ status: 'cancelled' }]);
  });
});

describe('when it cannot be stored', () => {
  test('no AA is given, nothing is stored, and sent again it is taken', async () => {
    let isBroken = true;
    const failing = (store: Store): Store => ({
      ...withMembers(store),
      // the work is done, and then its commit fails
      write: async (work) => {
        if (!isBroken) return store.write(work);
        await store
          .write(async (writer) => {
            await work(writer);
            throw new Error('undone');
          })
          .catch(() => undefined);
        throw new StoreUnavailable(new Error('disk full'));
      },
    });
    const { client, store } = await receiving({ storeOf: failing });
    const answer = await client.ask(message({ obx: [WEIGHT, HEIGHT] }));
    expect([said(answer), segment(answer, 'ERR')[3], segment(answer, 'ERR')[8]]).toEqual([
      'AE',
      '207^Application error^HL70357',
      expect.stringMatching(/Nothing of it was stored; send it again/),
    ]);
    expect((await stored(store)).texts).toEqual([]);
    isBroken = false;
    expect(said(await client.ask(message({ obx: [WEIGHT, HEIGHT] })))).toBe('AA');
  });

  test('the answer waits for the commit', async () => {
    let release = (): void => undefined;
    let hasCommitted = false;
    const slow = (store: Store): Store => ({
      ...withMembers(store),
      write: async (work) => {
        const result = await store.write(work);
        await new Promise<void>((resolve) => (release = resolve));
        hasCommitted = true;
        return result;
      },
    });
    const { client, store } = await receiving({ storeOf: slow });
    const asked = client.ask(message());
    let isAnswered = false;
    void asked.then(() => (isAnswered = true));
    while ((await stored(store)).texts.length === 0) await new Promise((resolve) => setImmediate(resolve));
    expect(isAnswered).toBe(false);
    release();
    expect([said(await asked), hasCommitted]).toEqual(['AA', true]);
  });

  test('a service with too much to do says so before it looks at anything', async () => {
    const { client, store, metrics } = await receiving({ shedReason: () => 'store' });
    const answer = await client.ask(message());
    expect([said(answer), remarks(answer)]).toEqual(['AE', ['E  transport-busy']]);
    expect((await stored(store)).texts).toEqual([]);
    expect(await counted(metrics, 'steelyard_requests_shed_total{reason="store"}')).toBe(1);
  });

  test('a fault of ours is an error that names itself in the log, without a word of the message', async () => {
    const broken = (store: Store): Store => ({
      ...withMembers(store),
      write: () => Promise.reject(new Error(`cannot read ${INVENTED_NUMBER}`)),
    });
    const { client, logLines } = await receiving({ storeOf: broken });
    const answer = await client.ask(message());
    expect([said(answer), remarks(answer)]).toEqual(['AE', ['E  transport-internal']]);
    const fault = logLines.find((line) => line.includes('"msg":"fault"'));
    expect(fault).toContain(segment(answer, 'MSH')[9]);
    expect(fault).not.toContain(INVENTED_NUMBER);
  });
});

describe('what is logged', () => {
  test('is how each message ended, and nothing of any person', async () => {
    const { client, logLines } = await receiving();
    for (const one of [
      message({ obx: [WEIGHT, HEIGHT] }),
      message({ obx: [weight({ 5: 'x' })] }),
      message({ pid: `PID|1||${INVENTED_NUMBER}||ZEBRAFINCH` }),
      message({ header: { 9: 'ADT^A01' } }),
      `PID|1||${INVENTED_NUMBER}`,
    ])
      await client.ask(one);
    client.write(block(message()).subarray(0, 80));
    const text = logLines.join('');
    expect(logLines.filter((line) => line.includes('"msg":"message answered"'))).toHaveLength(5);
    expect(text).not.toMatch(new RegExp(`${INVENTED_NUMBER}|ZEBRAFINCH|MARIGOLD|Quay|R-1001|70\\.0`));
  });
});

function withMembers(store: Store): Store {
  return {
    read: store.read,
    outbox: store.outbox,
    sessions: store.sessions,
    subscriptions: store.subscriptions,
    exports: store.exports,
    audit: store.audit,
    write: (work) => store.write(work),
    waitingUnits: () => store.waitingUnits(),
    onCommit: (listener) => store.onCommit(listener),
    isReady: () => store.isReady(),
    close: () => store.close(),
  };
}
