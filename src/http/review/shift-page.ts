/** `/review/shift`: what a shift measured, and the same for a spreadsheet. */
import { HOUR_MS, toInstant } from '../../core/fhir-time.ts';
import { isUnassigned } from '../../core/unassigned.ts';
import type { Reading } from '../../core/reading.ts';
import { SHIFT_HOURS, shiftCsv, shiftView, type ShiftReading, type ShiftSummary } from '../../review/shift.ts';
import { measuredAt, moment, UNIT_WORDS } from '../../review/words.ts';
import { sendOnceRecorded } from '../answer.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler, Request, Response } from '../serving.ts';
import type { ReadingSurroundings } from './load-reading.ts';
import type { PageParts } from './page-parts.ts';
import { reasonsOf } from './reasons.ts';
import { sendPage } from './send-page.ts';
import { decisionOf, standingWord } from './standing.ts';

/** A ward weighs some dozens in a shift. */
const MOST_SHOWN = 500;

export function shiftPage(parts: PageParts): Handler {
  return async (req, res) => {
    const summary = await summaryFor(parts, req, res);
    sendPage(res, { title: 'What this shift measured', section: '/review/shift', content: shiftView(summary) });
  };
}

export function shiftFile(parts: PageParts): Handler {
  return async (req, res) => {
    const text = shiftCsv(await summaryFor(parts, req, res));
    sendOnceRecorded(res, { status: 200 }, () => {
      res
        .status(200)
        .set({
          'Content-Type': 'text/csv; charset=utf-8',
          'Content-Disposition': 'attachment; filename="shift.csv"',
          'Cache-Control': 'no-store',
        })
        .end(text);
    });
  };
}

async function summaryFor({ surroundings }: PageParts, req: Request, res: Response): Promise<ShiftSummary> {
  const around = surroundings();
  const { read, nowMs, zone } = around;
  const asked = Number(new URL(req.originalUrl, 'http://page').searchParams.get('hours'));
  const hours = SHIFT_HOURS.find((length) => length === asked) ?? SHIFT_HOURS[0];
  const startMs = nowMs - hours * HOUR_MS;
  const { resources, next } = await read.searchObservations({
    includeHeld: true,
    dates: [
      { comparator: 'ge', startMs, endMs: startMs },
      { comparator: 'le', startMs: nowMs, endMs: nowMs },
    ],
    sort: [{ by: 'date', descending: true }],
    count: MOST_SHOWN,
  });
  const readings: ShiftReading[] = [];
  for (const { id } of resources) {
    const reading = await read.readingOf(id);
    // what is derived is no reading, and a second press is none either
    if (reading && reading.repeatOf === undefined) readings.push(await inWords(reading, around));
    if (reading && !isUnassigned(reading.person)) notesOf(res).concerned.push(reading.person);
  }
  const refused = await read.countRefusals(toInstant(startMs));
  return { hours, from: moment(startMs, zone), until: moment(nowMs, zone), readings, refused, isCut: next !== undefined };
}

async function inWords(reading: Reading, { read, directory, rules, zone }: ReadingSurroundings): Promise<ShiftReading> {
  const { id, version, of, quantity, device, effective, person: key } = reading;
  const person = isUnassigned(key) ? { name: 'Nobody yet', identifier: '' } : await directory.person(key);
  const scale = device === undefined ? undefined : await directory.device(device);
  const standing = standingWord(reading);
  const [first] = standing === 'accepted' ? [] : await reasonsOf(read, { id, version }, rules);
  return {
    id,
    measured: measuredAt(effective, zone),
    of,
    ward: scale?.ward?.name ?? ('ward' in person ? person.ward?.name : undefined) ?? 'not known',
    scale: scale?.name ?? 'not named',
    person: person.name,
    identifier: person.identifier ?? '',
    standing,
    why: first?.title ?? '',
    decision: (await decisionOf({ id, version }, { read, rules, zone })) ?? '',
    ...(quantity && { value: quantity.text, unit: UNIT_WORDS[quantity.unit] }),
  };
}
