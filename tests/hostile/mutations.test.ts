/**
 * Twenty thousand damaged readings and Bundles through the real service, over real connections:
 * each gets an answer in FHIR and none a fault, nothing unsound is stored or forwarded, and no
 * name comes out. The seed is fixed; a mutant that fails is named by its number.
 */
import { Agent, request } from 'node:http';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { objects } from '../published/readings.ts';
import { treeOf, type Answer } from '../http/edge.ts';
import { startService, type Service } from '../service.ts';
import { unsoundIn } from './accepted.ts';
import { mutantOf, PERSON_MARKER, type Mutant } from './mutating.ts';

const SEED = 20260302;
const MUTANTS = 20_000;
const CONNECTIONS = 8;

function sendOver(agent: Agent, port: number, { path, headers, body }: Mutant): Promise<Answer> {
  return new Promise((resolve, reject) => {
    const options = { host: '127.0.0.1', port, method: 'POST', path, agent, headers: { ...headers, 'Content-Length': body.length } };
    const req = request(options, (res) => {
      const chunks: Buffer[] = [];
      res.on('data', (chunk: Buffer) => chunks.push(chunk));
      res.on('end', () => resolve({ status: res.statusCode ?? 0, headers: res.headers, text: Buffer.concat(chunks).toString('utf8') }));
      res.on('error', reject);
    });
    req.on('error', reject);
    req.end(body);
  });
}

/** What is wrong with an answer, in a sentence; nothing when it is as it should be. */
function faultOf({ status, headers, text }: Answer): string | undefined {
  if (![200, 201, 202, 400, 404, 405, 406, 409, 412, 413, 415, 422].includes(status)) return `it was answered ${status}`;
  if (status < 300 && text === '') return undefined;
  if (!headers['content-type']?.startsWith('application/fhir+json')) return 'the answer is not in FHIR';
  let type: unknown;
  try {
    ({ resourceType: type } = JSON.parse(text) as { resourceType?: unknown });
  } catch {
    return 'the answer is no JSON';
  }
  if (status >= 400 && type !== 'OperationOutcome') return 'the answer is no OperationOutcome';
  if (type === 'OperationOutcome' && text.includes(PERSON_MARKER)) return 'the OperationOutcome holds a name';
  return undefined;
}

/** Ids of what the answer says is stored new: at once, or held. */
function storedBy({ path }: Mutant, answer: Answer): { readonly accepted: string[]; readonly held: string[] } {
  const idIn = (location: unknown): string[] => [
    ...(/(?:^|\/)Observation\/([A-Za-z0-9.-]+)/.exec(typeof location === 'string' ? location : '')?.slice(1, 2) ?? []),
  ];
  const each =
    path === '/fhir'
      ? answer.status === 200
        ? objects(treeOf(answer)['entry']).map(({ response }) => response as { status?: string; location?: string })
        : []
      : [{ status: String(answer.status), location: answer.headers.location }];
  const withStatus = (wanted: string) => each.filter(({ status }) => status?.startsWith(wanted)).flatMap(({ location }) => idIn(location));
  return { accepted: withStatus('201'), held: withStatus('202') };
}

describe(`${MUTANTS} mutants (seed ${SEED})`, () => {
  let service: Service;
  const agent = new Agent({ keepAlive: true, maxSockets: CONNECTIONS });
  const accepted = new Set<string>();
  const held = new Set<string>();
  const byStatus = new Map<number, number>();

  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterAll(async () => {
    agent.destroy();
    await service.close();
  });

  test('are each answered in FHIR, without a fault and without a name', { timeout: 1_800_000 }, async () => {
    const faults: string[] = [];
    let next = 0;
    const sender = async (): Promise<void> => {
      while (next < MUTANTS && faults.length < 5) {
        const number = next++;
        const mutant = mutantOf(SEED, number);
        const answer = await sendOver(agent, service.port, mutant);
        byStatus.set(answer.status, (byStatus.get(answer.status) ?? 0) + 1);
        const fault = faultOf(answer);
        if (fault !== undefined) {
          faults.push(
            `mutant ${number} (${mutant.how.join(', ')}): ${fault}\n${mutant.body.toString().slice(0, 2000)}\n${answer.text.slice(0, 500)}`,
          );
          continue;
        }
        const stored = storedBy(mutant, answer);
        stored.accepted.forEach((id) => accepted.add(id));
        stored.held.forEach((id) => held.add(id));
      }
    };
    await Promise.all(Array.from({ length: CONNECTIONS }, sender));
    expect(faults, faults.join('\n\n')).toEqual([]);
    // neither is everything refused at the door, nor does damage pass unseen
    expect(accepted.size).toBeGreaterThan(500);
    expect((byStatus.get(400) ?? 0) + (byStatus.get(422) ?? 0)).toBeGreaterThan(MUTANTS / 2);
  });

  test('leave behind only what is sound, and nothing that was refused', async () => {
    const stored = await service.store.read.searchObservations({ includeHeld: true, sort: [], count: 100_000 });
    const readings = stored.resources.filter(({ id }) => accepted.has(id) || held.has(id));
    const derived = stored.resources.filter(({ id }) => !accepted.has(id) && !held.has(id));
    expect(readings).toHaveLength(accepted.size + held.size);
    // beside what was answered stored there are only figures of our own
    expect(derived.filter(({ text }) => !text.includes('"derivedFrom"')).map(({ id }) => id)).toEqual([]);
    const unsound = readings.filter(({ id }) => accepted.has(id)).flatMap(({ text }) => unsoundIn(text).map((why) => `${why}: ${text}`));
    expect(unsound.length, unsound.slice(0, 5).join('\n\n')).toBe(0);
    // what waits for a decision is marked so
    const unmarked = readings.filter(({ id, text }) => held.has(id) && !/"status":"(?:preliminary|final)"/.test(text));
    expect(unmarked.map(({ text }) => text)).toEqual([]);
  });

  test('are forwarded only if they were accepted, each once', async () => {
    const items = await service.store.outbox.list({ limit: 100_000 });
    const sent = items.flatMap(({ resources }) =>
      resources.filter(({ type }) => type === 'Observation').map(({ id, version }) => `${id}/${version}`),
    );
    expect(new Set(sent).size).toBe(sent.length);
    const ids = new Set(sent.map((one) => one.split('/')[0] ?? ''));
    expect([...accepted].filter((id) => !ids.has(id))).toEqual([]);
    for (const id of ids) {
      if (accepted.has(id)) continue;
      const { text = '' } = (await service.store.read.current('Observation', id)) ?? {};
      // a figure of ours, or a held reading that a second one agreed with
      expect(text.includes('"derivedFrom"') || (held.has(id) && !text.includes('"code":"held"')), text.slice(0, 500)).toBe(true);
    }
  });

  test('leave no name in the log and the metrics, and no trace in the process', async () => {
    expect(service.logLines.filter((line) => line.includes(PERSON_MARKER))).toEqual([]);
    expect(service.logLines.filter((line) => line.includes('"msg":"fault"'))).toEqual([]);
    expect((await service.call('GET', '/metrics')).text).not.toContain(PERSON_MARKER);
    expect(Object.hasOwn(Object.prototype, 'polluted')).toBe(false);
    expect((await service.call('GET', '/health/ready')).status).toBe(200);
  });
});
