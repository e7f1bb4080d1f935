/** A recorded day: NDJSON, an Observation or a Bundle a line, with the times at which they were measured. */
import { parseDateTime } from '../../core/fhir-time.ts';
import { isJsonObject, type JsonObject } from '../../core/json.ts';
import { textsOf } from '../check/read-texts.ts';
import { sourcesOf, STANDARD_INPUT } from '../check/sources.ts';
import { CommandFailed, printable } from '../terminal.ts';

/** Which time paces the day: that of measuring, or that at which the gateway gave the reading out. */
export const PACED_BY = ['effective', 'issued'] as const;
export type PacedBy = (typeof PACED_BY)[number];

export interface RecordedLine {
  /** From 1. */
  readonly line: number;
  readonly type: 'Observation' | 'Bundle';
  readonly resource: JsonObject;
  /** Absent when nothing in it bears a time of day. */
  readonly atMs?: number;
}

/** The lines in their order, one at a time. @throws CommandFailed with the place of a line that is none */
export async function* recordedLines(file: string, by: PacedBy): AsyncGenerator<RecordedLine> {
  const [source] = await sourcesOf([file]);
  if (source?.file !== file || file === STANDARD_INPUT) throw new CommandFailed(`${printable(file)} is no file. Give one NDJSON file.`);
  for await (const { content, line } of textsOf(source, true)) {
    if (content.kind === 'unreadable') {
      const place = line === undefined ? printable(file) : `${printable(file)}:${line}`;
      throw new CommandFailed(`${place}: ${printable(content.problem)}. Nothing was sent; steelyard check says more.`);
    }
    const { type, resource } = content;
    const atMs = timeOf(resource, by);
    yield { line: line ?? 1, type, resource, ...(atMs !== undefined && { atMs }) };
  }
}

export interface DayFigures {
  readonly lines: number;
  readonly readings: number;
  /** Of what bears a time of day. */
  readonly firstMs?: number;
  readonly lastMs?: number;
  /** When it was recorded, if its first line is a Bundle that says so; the latest time of measuring otherwise. */
  readonly presentMs?: number;
}

/** Reads the whole day once. @throws CommandFailed like `recordedLines` */
export async function figuresOf(file: string, by: PacedBy): Promise<DayFigures> {
  let [lines, readings] = [0, 0];
  let recordedMs: number | undefined;
  let [firstMs, lastMs] = [Infinity, -Infinity];
  for await (const { type, resource, atMs } of recordedLines(file, by)) {
    if (lines === 0 && type === 'Bundle') recordedMs = instantIn(resource['timestamp']);
    lines += 1;
    readings += readingsIn(resource).length;
    if (atMs !== undefined) [firstMs, lastMs] = [Math.min(firstMs, atMs), Math.max(lastMs, atMs)];
  }
  const presentMs = recordedMs ?? lastMs;
  return {
    lines,
    readings,
    ...(firstMs <= lastMs && { firstMs, lastMs }),
    ...(Number.isFinite(presentMs) && { presentMs }),
  };
}

/** The Observations of a line: itself, or those of its entries. */
export function readingsIn(resource: JsonObject): readonly JsonObject[] {
  if (resource['resourceType'] === 'Observation') return [resource];
  const entries = Array.isArray(resource['entry']) ? resource['entry'].filter(isJsonObject) : [];
  return entries.flatMap((entry) =>
    isJsonObject(entry['resource']) && entry['resource']['resourceType'] === 'Observation' ? [entry['resource']] : [],
  );
}

/** Of a Bundle, the earliest of its readings: when it was made says nothing of them. */
function timeOf(resource: JsonObject, by: PacedBy): number | undefined {
  const times = readingsIn(resource).flatMap((reading) => timeOfReading(reading, by) ?? []);
  return times.length > 0 ? Math.min(...times) : undefined;
}

function timeOfReading({ issued, effectiveDateTime, effectiveInstant, effectivePeriod }: JsonObject, by: PacedBy): number | undefined {
  const start = isJsonObject(effectivePeriod) ? effectivePeriod['start'] : undefined;
  const measured = instantIn(effectiveDateTime) ?? instantIn(effectiveInstant) ?? instantIn(start);
  return by === 'issued' ? (instantIn(issued) ?? measured) : (measured ?? instantIn(issued));
}

function instantIn(value: unknown): number | undefined {
  const time = typeof value === 'string' ? parseDateTime(value) : undefined;
  return time?.precision === 'time' ? time.startMs : undefined;
}
