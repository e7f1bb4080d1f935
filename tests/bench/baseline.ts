/**
 * What the service is measured against: express, express.json and better-sqlite3 with the same
 * durability (WAL, synchronous=FULL), one row a reading and no judgement at all. With `group`
 * concurrent requests share a commit, as the service's own store does.
 *
 * Started as a process of its own: `tsx baseline.ts FILE each|group`; prints its port.
 */
import type { AddressInfo } from 'node:net';
import Database from 'better-sqlite3';
import express, { type Response } from 'express';

const [file = ':memory:', commit = 'each'] = process.argv.slice(2);
const database = new Database(file);
database.pragma('journal_mode = WAL');
database.pragma('synchronous = FULL');
database.exec(
  'CREATE TABLE reading (number INTEGER PRIMARY KEY AUTOINCREMENT, person TEXT, body TEXT) STRICT; CREATE INDEX by_person ON reading (person)',
);
const insert = database.prepare('INSERT INTO reading (person, body) VALUES (?, ?)');
const insertAll = database.transaction((rows: readonly (readonly [string, string])[]) => {
  for (const [person, body] of rows) insert.run(person, body);
});

type Waiting = { readonly row: readonly [string, string]; readonly answer: Response };
let waiting: Waiting[] = [];

function commitTogether(): void {
  const group = waiting;
  waiting = [];
  insertAll.immediate(group.map(({ row }) => row));
  for (const { answer } of group) answer.status(201).end();
}

const app = express();
app.use(express.json({ type: ['application/fhir+json'], limit: '5mb' }));
app.post('/fhir/Observation', (request, response) => {
  const body = request.body as { subject: { reference: string } };
  const row = [body.subject.reference, JSON.stringify(body)] as const;
  if (commit === 'each') {
    insertAll.immediate([row]);
    response.status(201).end();
    return;
  }
  if (waiting.push({ row, answer: response }) === 1) setImmediate(commitTogether);
});

const server = app.listen(0, '127.0.0.1', () => {
  process.stdout.write(`${JSON.stringify({ port: (server.address() as AddressInfo).port })}\n`);
});
