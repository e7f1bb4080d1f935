/**
 * What gateways did, line by line: one before each call and one after it. All that a checker knows
 * of what was promised to whom; kept in memory and, for people, in a file.
 */
import { appendFileSync } from 'node:fs';

/** One reading as a gateway sends it. */
export interface SentReading {
  /** Value of the gateway's identifier; carries the marker. */
  readonly identifier: string;
  readonly of: 'weight' | 'height';
  /** The written digits that must survive. */
  readonly digits: string;
  readonly status: string;
  /** `Patient/…`; carries the marker. */
  readonly person: string;
  readonly effective: string;
}

export interface CallLine {
  readonly at: 'call';
  /** Number of the call. */
  readonly n: number;
  readonly client: number;
  readonly method: 'POST' | 'PUT' | 'GET';
  readonly readings: readonly SentReading[];
}

/** What one reading was answered: of a Bundle, each entry has its own. */
export interface ReadingAnswer {
  readonly status: number;
  /** Id and version of the stored Observation. */
  readonly id?: string;
  readonly version?: number;
}

export interface AnswerLine {
  readonly at: 'answer';
  readonly n: number;
  /** Of the HTTP answer. */
  readonly status: number;
  readonly answers: readonly ReadingAnswer[];
  /** The body as it came: must be quiet about people. */
  readonly body: string;
  readonly hasRetryAfter: boolean;
}

/** No answer came: the gateway does not know what became of it. */
export interface SilenceLine {
  readonly at: 'silence';
  readonly n: number;
  readonly cause: string;
}

/** A backup is begun: what is answered from here on may be missing in it. */
export interface BackupLine {
  readonly at: 'backup';
}

/** The store is what it was at the last backup. */
export interface RestoredLine {
  readonly at: 'restored';
}

/** From here on the store may know nothing of this person any more: somebody asked for it. */
export interface RemovedLine {
  readonly at: 'removed';
  readonly person: string;
}

export type HistoryLine = CallLine | AnswerLine | SilenceLine | BackupLine | RestoredLine | RemovedLine;

export class History {
  readonly lines: HistoryLine[] = [];
  readonly #file: string;
  #unwritten: string[] = [];
  #calls = 0;

  constructor(file: string) {
    this.#file = file;
  }

  /** The number of the next call. */
  nextCall(): number {
    return (this.#calls += 1);
  }

  add(line: HistoryLine): void {
    this.lines.push(line);
    this.#unwritten.push(JSON.stringify(line));
    if (this.#unwritten.length >= 200) this.flush();
  }

  flush(): void {
    appendFileSync(this.#file, this.#unwritten.map((line) => `${line}\n`).join(''));
    this.#unwritten = [];
  }
}

/** A reading that somebody was told is stored (2xx), with what it said. */
export interface Acknowledged {
  readonly reading: SentReading;
  readonly answer: ReadingAnswer;
  readonly n: number;
}

/** Every reading of every call that was answered, with its own answer. */
export function answeredReadings(lines: readonly HistoryLine[]): readonly Acknowledged[] {
  const calls = new Map(lines.filter((line) => line.at === 'call').map((line) => [line.n, line]));
  return lines
    .filter((line) => line.at === 'answer')
    .flatMap(({ n, answers }) =>
      answers.flatMap((answer, place) => {
        const reading = calls.get(n)?.readings[place];
        return reading === undefined ? [] : [{ reading, answer, n }];
      }),
    );
}

export function isAcknowledged({ answer }: Acknowledged): boolean {
  return answer.status >= 200 && answer.status < 300;
}

/** Numbers of the calls that a restored store need not remember: they were made, or answered, after the backup. */
export function forgottenCalls(lines: readonly HistoryLine[]): ReadonlySet<number> {
  const forgotten = new Set<number>();
  let sinceBackup: number[] = [];
  for (const line of lines) {
    if (line.at === 'backup') sinceBackup = [];
    else if (line.at === 'restored') for (const n of sinceBackup) forgotten.add(n);
    else if (line.at !== 'removed') sinceBackup.push(line.n);
  }
  return forgotten;
}

/** Persons of whom nothing has to be there any more. */
export function removedPersons(lines: readonly HistoryLine[]): ReadonlySet<string> {
  return new Set(lines.flatMap((line) => (line.at === 'removed' ? [line.person] : [])));
}
