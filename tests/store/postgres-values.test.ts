/**
 * PostgreSQL repeats values in what it says of a refusal: `Key (person)=(…) already exists`. Whatever
 * it refuses and however, none of that is in an answer, a log line or a metric, nothing is stored,
 * and the next reading is.
 */
import { afterAll, afterEach, beforeAll, expect, test } from 'vitest';
import { stringifyExact } from '../../src/core/json.ts';
import { startRunning, type RunningService } from '../operations/running.ts';
import { passingStore, type PassingStore } from '../postgres-setup.ts';
import { runOn } from '../postgres.ts';
import { MARKER, reading } from '../hostile/own-cases.ts';
import { send, type Answer } from '../http/edge.ts';

let place: PassingStore;
beforeAll(async () => {
  place = await passingStore();
});
afterAll(() => place.remove());
afterEach(() => runOn(place.url, 'drop function if exists refuse() cascade'));

/** Whatever can hold a text in an error of the database holds the row. */
const EVERY_FIELD = 'message = said, detail = said, hint = said, constraint = said, column = said, table = said, schema = said';

const post = ({ port }: RunningService): Promise<Answer> =>
  send(port, 'POST', '/fhir/Observation', { headers: { 'Content-Type': 'application/fhir+json' }, body: stringifyExact(reading()) });

test.each([
  ['a value that is there already', '23505', 500],
  ['a check that fails', '23514', 500],
  ['a value that is too long', '22001', 500],
  ['a text that cannot be', '22021', 500],
  ['a key too long for its index', '54000', 400],
  ['a conflict of transactions', '40001', 503],
  ['a deadlock', '40P01', 503],
  ['a statement that took too long', '57014', 503],
  ['no connection left', '53300', 503],
  ['a full disk', '53100', 503],
  ['a server that only reads', '25006', 503],
  ['a session that is ended', '57P01', 503],
  ['a damaged page', 'XX001', 503],
  ['a fault of its own', 'XX000', 500],
])('%s (%s) is answered without a word of the row', async (_what, code, status) => {
  const service = await startRunning({ forwards: false, settings: { STEELYARD_DATABASE: place.url } });
  for (const table of ['observation', 'resource_version', 'search_token', 'audit_event'])
    await runOn(
      place.url,
      `create or replace function refuse() returns trigger language plpgsql as
         $$ declare said text := row_to_json(new)::text; begin raise exception using errcode = '${code}', ${EVERY_FIELD}; end $$;
       create trigger refuse before insert on ${table} for each row when (new::text like '%${MARKER}%') execute function refuse()`,
    );
  const answer = await post(service);
  expect([answer.status, answer.text.includes(MARKER)]).toEqual([status, false]);
  const logged = JSON.stringify(service.logged());
  expect(logged).toContain('"msg":"answered"');
  expect(logged).not.toContain(MARKER);
  expect((await service.get('/metrics')).text).not.toContain(MARKER);

  await runOn(place.url, 'drop function refuse() cascade');
  expect((await post(service)).status).toBeLessThan(300);
});
