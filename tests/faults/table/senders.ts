/** Gateways that say everything at once, or hardly anything; and items that poison the way to the EHR. */
import { connect, type Socket } from 'node:net';
import { openStore } from '../../../src/open-store.ts';
import type { Fault } from '../fault.ts';
import { bundleText, MARKER, observationText } from '../gateway-plan.ts';
import type { HttpAnswer } from '../gateway-call.ts';
import type { SentReading } from '../history.ts';
import type { Nemesis } from '../nemesis.ts';

function weight(nemesis: Nemesis, name: string, changes: Partial<SentReading> = {}): SentReading {
  const effective = new Date(Date.now() + nemesis.shiftMs - 3_600_000).toISOString();
  const identifier = `${MARKER}-${name}`;
  return { identifier, of: 'weight', digits: '81.40', status: 'final', person: `Patient/${MARKER}-${name}`, effective, ...changes };
}

const duplicateStorm: Fault = {
  name: 'duplicate-storm',
  title: 'one reading from fifty connections at once, thousands of times, and the same Bundle',
  async run(nemesis) {
    const load = nemesis.load({ clients: 2 });
    await load.until(10);
    const again = weight(nemesis, 'storm');
    const visit = [weight(nemesis, 'storm-visit')];
    const answers: (HttpAnswer | undefined)[] = [];
    const oneConnection = async (): Promise<void> => {
      for (let count = 0; count < nemesis.pick(10, 100); count += 1) answers.push(await nemesis.tell(again));
    };
    const bundles = Array.from({ length: 20 }, () =>
      nemesis.record({ method: 'POST', client: -1, readings: visit }, '/fhir', { body: bundleText('transaction', visit) }),
    );
    await Promise.all([...bundles, ...Array.from({ length: 50 }, oneConnection)]);
    const statuses = answers.map((answer) => answer?.status ?? 0);
    nemesis.claim('it is stored once', statuses.filter((status) => status === 201).length <= 1);
    nemesis.claim(
      'everybody else is told that it is there, or to come again',
      statuses.every((status) => [0, 200, 201, 429, 503].includes(status)),
    );
    await load.until(10);
    await load.stop();
  },
};

const poison: Fault = {
  name: 'poison',
  title: 'an item that the EHR always refuses, and one on which it hangs',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(15);
    const [refused, hanging] = [weight(nemesis, 'poison'), weight(nemesis, 'hangs')];
    nemesis.ehr.behave({
      percent: 100,
      faults: [
        { do: 'answer', status: 422, bodyHas: refused.identifier },
        { do: 'apply-then', then: { spoil: 'hang' }, bodyHas: hanging.identifier },
      ],
    });
    const answer = await nemesis.tell(refused);
    await nemesis.tell(hanging);
    const isParked = await nemesis.until(async () => (await nemesis.metric('steelyard_outbox_parked')) === 1, 20_000);
    nemesis.claim('what is always refused is parked once', isParked);
    const id = /Observation\/([^/]+)\//.exec(answer?.location ?? '')?.[1] ?? '';
    const corrected = { ...refused, status: 'corrected', digits: '81.4' };
    const body = observationText(corrected, id);
    const put = { method: 'PUT', client: -1, readings: [corrected] } as const;
    await nemesis.record(put, `/fhir/Observation/${id}`, { body, headers: { 'If-Match': answer?.etag ?? '' } });
    nemesis.claim('what depends on it waits behind it', (await nemesis.metric('steelyard_outbox_parked')) === 2);
    const before = nemesis.ehr.resources().length;
    await load.until(20);
    nemesis.claim('others go on', await nemesis.until(() => nemesis.ehr.resources().length > before, 20_000));
    await load.stop();
    nemesis.ehr.behave();
    nemesis.claim('a person can send it again once its cause is mended', await retryParked(nemesis));
  },
};

/** As an operator does it, beside the running service. */
async function retryParked(nemesis: Nemesis): Promise<boolean> {
  const clock = { nowMs: () => Date.now() + nemesis.shiftMs };
  const store = await openStore(nemesis.database, { clock, exclusive: false });
  try {
    const parked = await store.outbox.list({ states: ['parked'], limit: 100 });
    const roots = parked.filter(({ blockedBy }) => blockedBy === undefined);
    const retried = await Promise.all(roots.map(({ number }) => store.outbox.retry(number, clock.nowMs())));
    return retried.length === 1 && retried.every(Boolean);
  } finally {
    await store.close();
  }
}

const HEAD = 'POST /fhir/Observation HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/fhir+json\r\nContent-Length: 4000\r\n\r\n';

const slowClients: Fault = {
  name: 'slow-clients',
  title: 'hundreds of clients that drip headers and bodies, a byte now and then',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(10);
    const port = Number(new URL(nemesis.service.url).port);
    const sockets = [
      ...Array.from({ length: nemesis.pick(100, 500) }, () => dripper(port, HEAD.slice(0, 30))),
      ...Array.from({ length: nemesis.pick(40, 200) }, () => dripper(port, `${HEAD}{"resourceType`)),
    ];
    const drip = setInterval(() => sockets.forEach((socket) => socket.writable && socket.write('x')), 1_000);
    try {
      await load.until(nemesis.pick(60, 1_000));
      nemesis.claim('who speaks properly is served beside them', nemesis.cutOff === 0 && nemesis.storeRefusals === 0);
      const dropped = await nemesis.until(() => sockets.every(({ destroyed }) => destroyed), 60_000);
      nemesis.claim('all of them are dropped in the end', dropped);
    } finally {
      clearInterval(drip);
      sockets.forEach((socket) => socket.destroy());
    }
    await load.until(10);
    await load.stop();
  },
};

function dripper(port: number, begin: string): Socket {
  const socket = connect(port, '127.0.0.1', () => socket.write(begin));
  socket.resume();
  socket.on('error', () => socket.destroy());
  socket.on('end', () => socket.destroy());
  return socket;
}

export const SENDERS: readonly Fault[] = [duplicateStorm, poison, slowClients];
