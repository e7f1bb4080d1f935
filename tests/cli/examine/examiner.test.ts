/** The examiner between real gateways, one that does well and one that does not, and the real service. */
import { setTimeout as pause } from 'node:timers/promises';
import { afterEach, describe, expect, test } from 'vitest';
import { startExaminer, type Examiner } from '../../../src/cli/examine/examiner.ts';
import { judgeAll, printReport, type Judged } from '../../../src/cli/examine/report.ts';
import { startService, type Service } from '../../service.ts';
import { observationText, steelyard } from '../command.ts';

const TIMES = { retryAfterSeconds: 1, slowMs: 50 };
/** One reading says one time, however often it is sent. */
const MEASURED = new Date(Date.now() - 60_000).toISOString();
const open: { close(): Promise<void> }[] = [];
afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});

async function startBoth(): Promise<{ service: Service; examiner: Examiner }> {
  const service = await startService({ now: () => Date.now() });
  const examiner = await startExaminer({ service: service.base, port: 0, times: TIMES, clock: { nowMs: () => Date.now() } });
  open.push(examiner, service);
  return { service, examiner };
}

/** Judged as of a minute later, so that whoever did not come again had the time to. */
const judged = ({ exchanges }: Examiner): Readonly<Record<string, Judged['judgement']>> =>
  Object.fromEntries(judgeAll({ exchanges, endedMs: Date.now() + 60_000 }).map(({ id, judgement }) => [id, judgement]));

const text = (number: number, more: Readonly<Record<string, unknown>> = {}): string =>
  observationText('weight', `7${number}.0`, 'kg', {
    identifier: [{ system: 'urn:harbourlight:gateway', value: `reading-${number}` }],
    subject: { reference: `Patient/invented-${number}` },
    device: { reference: 'Device/scale-1' },
    effectiveDateTime: MEASURED,
    ...more,
  });
const post = (url: string, body: string, headers: Readonly<Record<string, string>> = {}): Promise<Response | undefined> =>
  fetch(`${url}/Observation`, { method: 'POST', headers: { 'Content-Type': 'application/fhir+json', ...headers }, body }).catch(
    () => undefined,
  );

/** Keeps a reading until somebody has it. */
async function sendWell(url: string, body: string): Promise<number> {
  for (let tries = 1; ; tries += 1) {
    const answer = await post(url, body, { Date: new Date().toUTCString(), 'X-Request-Id': `call-${tries}` });
    if (answer !== undefined && answer.status !== 503 && answer.status !== 429) return answer.status;
    const after = answer?.headers.get('retry-after') ?? '0';
    const least = /^\d+$/.test(after) ? Number(after) * 1000 : Date.parse(after) - Date.now();
    await pause(Math.max(0, least) * (1 + tries / 10) + 50);
  }
}

describe('the examiner', () => {
  test('finds a gateway that does well right in everything, and the service has every reading once', { timeout: 60_000 }, async () => {
    const { service, examiner } = await startBoth();
    const statuses: number[] = [];
    for (let number = 0; number < 8; number += 1)
      statuses.push(await sendWell(examiner.url, text(number, { method: { text: 'standing' } })));
    expect(statuses).toEqual([201, 201, 200, 201, 201, 202, 422, 201]);
    const found = judged(examiner);
    expect(Object.entries(found).filter(([, judgement]) => judgement === 'wrong')).toEqual([]);
    // it used no condition, and no person was weighed twice
    expect(Object.keys(found).filter((id) => found[id] === 'not seen')).toEqual(['condition', 'order']);
    expect(await service.store.read.countObservations({ includeHeld: true })).toBe(7);
  });

  test('finds a gateway that does ill wrong in what it does ill', { timeout: 60_000 }, async () => {
    const { examiner } = await startBoth();
    const { url } = examiner;
    const short = (number: number): string =>
      text(number, { device: undefined }).replace(`7${number}.0`, number % 2 === 0 ? `7${number}` : `7${number}.5`);
    await post(url, short(0));
    await post(url, short(1));
    await post(url, short(1)); // at once, whatever Retry-After says
    await post(url, text(2)); // lost, and given up
    await post(url, text(3)); // throttled, and given up
    await Promise.all([post(url, text(4)), pause(10).then(() => post(url, text(4)))]); // does not wait for a slow answer
    for (let again = 0; again < 2; again += 1) await post(url, text(5)); // held, and sent again
    for (let again = 0; again < 3; again += 1) await post(url, text(6)); // refused, and sent again
    await fetch(`${url}/Patient?name=Imagina`);
    const found = judged(examiner);
    const wrong = Object.keys(found).filter((id) => found[id] === 'wrong');
    expect(wrong).toEqual(
      expect.arrayContaining([
        'device',
        'digits',
        'method',
        'clock',
        'request-id',
        'urls',
        'after-503',
        'after-429',
        'after-lost',
        'slow',
        'after-202',
        'after-422',
      ]),
    );
    const lines: string[] = [];
    printReport(judgeAll({ exchanges: examiner.exchanges, endedMs: Date.now() + 60_000 }), {
      print: (...more) => void lines.push(...more),
      complain: () => undefined,
      tint: (_, said) => said,
      columns: 100,
    });
    expect(lines.join('\n')).toMatch(/wrong {5}after-503 \(must\)[\s\S]*too early[\s\S]*Do: Keep the reading/);
    expect(lines.at(-1)).toContain('What was not seen is not known to be right.');
    expect(lines.join('\n')).not.toContain('Imagina');
  });

  test('never says that a reading is held which the service refused', async () => {
    const { examiner } = await startBoth();
    for (let number = 0; number < 5; number += 1) await post(examiner.url, text(number));
    const refused = await post(examiner.url, text(5).replace('"code":"kg"', '"code":"KG"'));
    expect([refused?.status, examiner.exchanges.at(-1)?.fault]).toEqual([422, 'held']);
  });

  test('passes on everything else as it came, both ways', async () => {
    const { service, examiner } = await startBoth();
    const through = await fetch(`${examiner.url}/metadata`);
    const straight = await fetch(`${service.base}/metadata`);
    expect([through.status, through.headers.get('content-type'), await through.text()]).toEqual([
      200,
      straight.headers.get('content-type'),
      await straight.text(),
    ]);
    expect((await fetch(`${examiner.url}/Nothing`)).status).toBe(404);
    expect((await fetch(examiner.url.replace('/fhir', '/metrics'))).status).toBe(404);
    await post(examiner.url, text(0));
    const { exchanges } = examiner;
    const [stored] = (JSON.parse((await service.call('GET', '/fhir/Observation')).text) as { entry: { resource: unknown }[] }).entry;
    expect(JSON.stringify(stored)).toContain('reading-0');
    expect(exchanges.at(-1)).toMatchObject({ method: 'POST', path: '/Observation', status: 201 });
  });
});

describe('steelyard examine-gateway', () => {
  test('starts a service of its own, and ends with 2 when nothing came', async () => {
    const { exitCode, stdout, stderr } = await steelyard(['examine-gateway', '--port', '0', '--for', '0']);
    expect(stdout).toMatch(/post invented readings to http:\/\/127\.0\.0\.1:\d+\/fhir/);
    expect(stderr).toContain('No reading came');
    expect(exitCode).toBe(2);
  });

  test('refuses a service that is not on loopback and speaks plain http', async () => {
    const { exitCode, stderr } = await steelyard(['examine-gateway', '--service', 'http://scales.harbourlight.example/fhir']);
    expect([exitCode, stderr]).toEqual([2, expect.stringContaining('--service must be an https address')]);
  });
});
