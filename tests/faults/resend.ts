/**
 * What gateways do once they are told that the store was restored: they say again all that they said
 * since the backup, one thing after another, and correct what they had corrected.
 */
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import { bundleText, observationText } from './gateway-plan.ts';
import { answeredReadings, forgottenCalls, type CallLine, type SentReading } from './history.ts';
import type { Nemesis } from './nemesis.ts';
import { digitsIn, statusOf } from './observed.ts';

/** Sends all of it; resolves with the number of calls when the last is answered. */
export async function resendLost(nemesis: Nemesis): Promise<number> {
  const { lines } = nemesis.history;
  const lost = forgottenCalls(lines);
  const answered = new Set(lines.flatMap((line) => (line.at === 'answer' && line.status < 500 ? [line.n] : [])));
  // what got no answer its gateway says again by itself, but for a correction of what is not there
  const isToBeSaid = ({ n, method, readings }: CallLine): boolean =>
    lost.has(n) && readings.length > 0 && (answered.has(n) || method === 'PUT');
  const calls = lines.filter((line) => line.at === 'call').filter(isToBeSaid);
  for (const { method, readings } of calls) {
    const [first, second] = readings;
    if (first !== undefined && method === 'PUT') await correct(nemesis, first);
    else if (first !== undefined && second === undefined) await nemesis.tell(first);
    else await nemesis.record({ method: 'POST', client: -1, readings }, '/fhir', { body: bundleText('transaction', readings) });
  }
  return calls.length;
}

async function correct(nemesis: Nemesis, reading: SentReading): Promise<void> {
  const id = placeOf(nemesis, reading);
  if (id === undefined) return; // what it corrects was refused
  const { status, body, etag } = await nemesis.get(`/fhir/Observation/${id}`, { isCalm: true });
  if (status === 200 && says(body, reading)) return;
  const call = { headers: { 'If-Match': etag }, body: observationText(reading, id) };
  await nemesis.record({ method: 'PUT', client: -1, readings: [reading] }, `/fhir/Observation/${id}`, call);
}

/** Where the restored store has it: what was answered before the backup, or since the restore. */
function placeOf({ history: { lines } }: Nemesis, { identifier }: SentReading): string | undefined {
  const lost = forgottenCalls(lines);
  return answeredReadings(lines)
    .filter(({ n, reading }) => !lost.has(n) && reading.identifier === identifier)
    .findLast(({ answer }) => answer.id !== undefined)?.answer.id;
}

function says(text: string, { status, digits }: SentReading): boolean {
  const parsed = parseExactJson(text);
  return parsed.ok && isJsonObject(parsed.value) && statusOf(parsed.value) === status && digitsIn(parsed.value) === digits;
}
