/** The EHR answers wrongly, late, or not as it did. Its conditional creates protect from nothing here unless said otherwise. */
import type { Fault as EhrFault } from '../../../examples/receiver/faults.ts';
import type { Fault } from '../fault.ts';
import type { Nemesis } from '../nemesis.ts';

const after = (then: Extract<EhrFault, { readonly do: 'apply-then' }>['then']): EhrFault => ({ do: 'apply-then', then });
const replaced = (status: number, body = '', headers: Readonly<Record<string, string>> = {}): EhrFault =>
  after({ spoil: 'replace', status, body, headers });
const HTML = '<!doctype html><title>Welcome</title><p>Please sign in.';
const asHtml = { 'content-type': 'text/html' };

/** Load while so many of a hundred sendings come to grief in one of these ways. */
async function underMisbehaviour(nemesis: Nemesis, percent: number, faults: readonly EhrFault[], readings: number): Promise<void> {
  nemesis.ehr.behave({ percent, faults });
  const load = nemesis.load();
  await load.until(readings);
  await load.stop();
  nemesis.claim('some of it went wrong', nemesis.ehr.met.size > 0);
  nemesis.claim('nothing is parked for an answer that leaves all open', (await nemesis.metric('steelyard_outbox_parked')) === 0);
}

const failsHavingApplied: Fault = {
  name: 'ehr-500-having-applied',
  title: 'EHR answers 500, 502 or 504 having applied it',
  run: (nemesis) => underMisbehaviour(nemesis, 25, [replaced(500), replaced(502, HTML, asHtml), replaced(504)], nemesis.pick(60, 1_500)),
};

const brokenAnswers: Fault = {
  name: 'ehr-broken-answers',
  title: 'EHR resets mid-answer, sends half JSON, a wrong length, a page with 200',
  run: (nemesis) =>
    underMisbehaviour(
      nemesis,
      40,
      [
        { do: 'reset' },
        after({ spoil: 'reset' }),
        after({ spoil: 'truncate' }),
        after({ spoil: 'wrong-length', by: 40 }),
        after({ spoil: 'wrong-length', by: -40 }),
        replaced(200, '{"resourceType":"Bundle","type":"transaction-resp'),
        replaced(200, HTML, asHtml),
        replaced(201),
        { on: 'search', do: 'reset' },
        { on: 'search', do: 'answer', status: 200, body: HTML, headers: asHtml },
      ],
      nemesis.pick(60, 1_000),
    ),
};

const partialAnswers: Fault = {
  name: 'ehr-partial-answers',
  title: 'EHR answers a Bundle with entries missing, more, reordered, mistyped',
  run: (nemesis) =>
    underMisbehaviour(
      nemesis,
      40,
      [
        after({ spoil: 'drop-entry' }),
        after({ spoil: 'reverse-entries' }),
        after({ spoil: 'extra-entry' }),
        after({ spoil: 'numeric-statuses' }),
        replaced(200, '{"resourceType":"Bundle","type":"transaction-response"}'),
      ],
      nemesis.pick(60, 600),
    ),
};

const racyCreates: Fault = {
  name: 'ehr-racy-creates',
  title: 'EHR creates twice what arrives twice within 50 ms, and forgets',
  ehr: { racyMs: 50, forgetsAfter: 20 },
  run: (nemesis) => underMisbehaviour(nemesis, 25, [after({ spoil: 'reset' }), replaced(500), { do: 'reset' }], nemesis.pick(60, 1_000)),
};

const slow: Fault = {
  name: 'ehr-slow',
  title: 'EHR answers too late, or a byte a second',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    for (let round = 0; round < nemesis.pick(1, 10); round += 1) {
      const before = await nemesis.metric('steelyard_forwardings_total');
      nemesis.ehr.plan(after({ spoil: 'drip', msPerByte: 1_000 }), { do: 'delay', ms: 12_000 }, after({ spoil: 'hang' }));
      await load.until(10);
      const went = await nemesis.until(async () => (await nemesis.metric('steelyard_forwardings_total')) >= before + 3, 60_000);
      nemesis.claim('sending goes on beside the slow answers', went);
    }
    await load.until(10);
    await load.stop();
    const cutOff = await nemesis.until(() => nemesis.service.said.includes('"kind":"unclear"'), 30_000);
    nemesis.claim('an answer that does not end is given up and looked up', cutOff);
  },
};

/** How many requests the EHR had, once for a second there came no more; what comes after ten such looks tells by itself. */
async function settledRequests(nemesis: Nemesis): Promise<number> {
  let asked = nemesis.ehr.requests;
  for (let look = 0; look < 10; look += 1) {
    await nemesis.wait(1_000);
    if (nemesis.ehr.requests === asked) break;
    asked = nemesis.ehr.requests;
  }
  return asked;
}

const asksForPatience: Fault = {
  name: 'ehr-429',
  title: 'EHR answers 429 and 503 with Retry-After: seconds, a date, garbage, ten years',
  async run(nemesis) {
    const load = nemesis.load({ clients: 2 });
    await load.until(20);
    const twoMinutesOn = (): string => new Date(Date.now() + nemesis.shiftMs + 120_000).toUTCString();
    const rows = [
      { header: () => '120', stepMs: 125_000, mustWait: true },
      { header: twoMinutesOn, stepMs: 125_000, mustWait: true },
      { header: () => 'soon', stepMs: 5_000, mustWait: false },
      { header: () => String(10 * 365 * 86_400), stepMs: 3_700_000, mustWait: true },
    ];
    for (const [index, { header, stepMs, mustWait }] of rows.entries()) {
      const retryAfter = header();
      const answered = nemesis.ehr.untilFault();
      nemesis.ehr.plan({ do: 'answer', status: index % 2 === 0 ? 429 : 503, headers: { 'retry-after': retryAfter } });
      await load.until(1);
      await answered;
      const asked = await settledRequests(nemesis); // others were under way
      const sent = nemesis.ehr.bundles;
      await load.until(10);
      await nemesis.wait(1_200);
      // an attempt that was under way may end its look-ups, and sends nothing after them
      if (mustWait) nemesis.claim(`nothing is sent before Retry-After: ${retryAfter} is over, or an hour`, nemesis.ehr.bundles === sent);
      nemesis.stepClock(stepMs);
      const resumed = await nemesis.until(() => nemesis.ehr.requests > asked, 60_000);
      nemesis.claim(`sending goes on after Retry-After: ${retryAfter}, or after an hour`, resumed);
    }
    await load.stop();
    nemesis.claim('nothing is parked for it', (await nemesis.metric('steelyard_outbox_parked')) === 0);
  },
};

const down: Fault = {
  name: 'ehr-down',
  title: 'EHR off the network for an hour (time compressed)',
  async run(nemesis) {
    const load = nemesis.load({ clients: nemesis.pick(4, 16) });
    await load.until(10);
    await nemesis.ehr.down();
    for (let minutes = 0; minutes < 60; minutes += 10) {
      await load.until(nemesis.pick(10, 1_500));
      nemesis.stepClock(600_000);
    }
    nemesis.claim('gateways are served all the while', nemesis.cutOff === 0 && nemesis.storeRefusals === 0);
    nemesis.claim('an outage parks nothing', (await nemesis.metric('steelyard_outbox_parked')) === 0);
    nemesis.claim('what waits is counted', (await nemesis.metric('steelyard_outbox_waiting')) > 0);
    nemesis.claim('it stays ready', (await nemesis.get('/health/ready')).status === 200);
    const lines = nemesis.service.said
      .split('\n')
      .filter((line) => /"level":"(warn|error)"/.test(line) && !line.includes('"msg":"answered"')).length;
    nemesis.claim('the log says it now and then, not each time', lines < 40);
    await nemesis.ehr.up();
    await load.stop();
  },
};

const alters: Fault = {
  name: 'ehr-alters',
  title: 'EHR keeps weights without their decimals, and says 201',
  environment: { STEELYARD_EHR_READBACK: '100' },
  // by the nature of the fault; that it is noticed is claimed below
  expected: { I6: 'invalid' },
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(10);
    const withoutDecimals = (body: string): string => body.replaceAll(/("valueQuantity":\{"value":\d+)\.\d+/g, '$1');
    nemesis.ehr.behave({ percent: 100, faults: [{ do: 'alter', alter: withoutDecimals }] });
    await load.until(nemesis.pick(10, 500));
    nemesis.ehr.behave();
    await load.stop();
    const noticed = await nemesis.until(() => nemesis.service.said.includes('"msg":"read-back differs"'), 30_000);
    nemesis.claim('reading back raises an alarm', noticed);
  },
};

export const EHR_ANSWERS: readonly Fault[] = [
  failsHavingApplied,
  brokenAnswers,
  partialAnswers,
  racyCreates,
  slow,
  asksForPatience,
  down,
  alters,
];
