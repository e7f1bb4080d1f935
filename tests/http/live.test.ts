/** The stream that tells pages of changes (WHATWG HTML, "Server-sent events"). */
import { request, type IncomingMessage } from 'node:http';
import { once } from 'node:events';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { stringifyExact } from '../../src/core/json.ts';
import { NOW, weight } from '../measurements.ts';
import { startService, type Service } from '../service.ts';

let service: Service;
beforeAll(async () => {
  service = await startService({ now: NOW, limits: { mostAtWork: 2 } });
});
afterAll(() => service.close());

async function listen(): Promise<{ events: () => string[]; answer: IncomingMessage }> {
  const asked = request({ port: service.port, path: '/review/events', headers: { Accept: 'text/event-stream' } });
  asked.end();
  const [answer] = (await once(asked, 'response')) as [IncomingMessage];
  let text = '';
  answer.setEncoding('utf8').on('data', (chunk: string) => (text += chunk));
  return { answer, events: () => [...text.matchAll(/event: worklist\ndata: (.*)\n\n/g)].map(([, mark = '']) => mark) };
}

test('tells every page that the worklist changed, and nothing of anybody', async () => {
  const pages = await Promise.all([listen(), listen(), listen()]);
  for (const { answer } of pages) {
    expect(answer.statusCode).toBe(200);
    expect(answer.headers).toMatchObject({ 'content-type': 'text/event-stream; charset=utf-8', 'cache-control': 'no-store' });
  }
  await expect.poll(() => pages.every(({ events }) => events().length === 1), { timeout: 10_000 }).toBe(true);
  // more pages listen than requests may be worked on: the reading is taken in all the same
  const yesterday = { effectiveDateTime: new Date(Date.parse(NOW) - 86_400_000).toISOString() };
  expect((await service.post('Observation', stringifyExact(weight('80.0', 'kg', yesterday)))).status).toBe(201);
  expect((await service.post('Observation', stringifyExact(weight('97.8')))).status).toBe(202);
  await expect.poll(() => pages.every(({ events }) => events().length === 2), { timeout: 10_000 }).toBe(true);
  for (const { events, answer } of pages) {
    expect(new Set(events()).size).toBe(2);
    for (const mark of events()) expect(mark).toMatch(/^[\d-]+$/);
    answer.destroy();
  }
});
