/** Hostile inputs as they are kept beside the project: one JSON object a line. */
import { readFileSync } from 'node:fs';

export interface HostileRequest {
  readonly method: string;
  readonly path: string;
  readonly headers: Readonly<Record<string, string>>;
  readonly bodyText?: string | null;
  /** Raw bytes, which may hold placeholders too. */
  readonly bodyBase64?: string;
  readonly bodyRepeat?: {
    readonly prefix: string;
    readonly unit: string;
    readonly count: number;
    readonly suffix: string;
    readonly unit2?: string;
    readonly count2?: number;
  };
  /** Bytes for a bare socket. */
  readonly rawText?: string;
  readonly extraHeaders?: { readonly prefix: string; readonly count: number; readonly value: string };
  readonly slow?: { readonly phase: string; readonly bytesPerSecond: number };
}

export interface HostileCase {
  readonly id: string;
  readonly category: string;
  readonly description: string;
  readonly basis: string;
  readonly request: HostileRequest;
  readonly expect: {
    readonly status?: number | readonly number[];
    readonly statusClass?: '2xx';
    readonly issueCode?: string | readonly string[];
    readonly must?: readonly string[];
    readonly mustNot?: readonly string[];
  };
  readonly repeat?: number;
  readonly after?: string;
  readonly orClose?: boolean;
  readonly allowAlso?: readonly number[];
  readonly issueOnlyIfRefused?: boolean;
}

const REQUEST_FIELDS = ['method', 'path', 'headers', 'bodyText', 'bodyBase64', 'bodyRepeat', 'rawText', 'extraHeaders', 'slow'];
const CASE_FIELDS = 'id category description basis request expect repeat after orClose allowAlso issueOnlyIfRefused'.split(' ');

/** Reads the cases of some categories; throws on a field that the runner does not know. */
export function readCases(file: string, categories: readonly string[]): HostileCase[] {
  const all = readFileSync(file, 'utf8')
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line) as HostileCase);
  const wanted = all.filter(({ category }) => categories.includes(category));
  for (const one of wanted) {
    const unknown = [
      ...Object.keys(one).filter((key) => !CASE_FIELDS.includes(key)),
      ...Object.keys(one.request).filter((key) => !REQUEST_FIELDS.includes(key)),
    ];
    if (unknown.length > 0) throw new Error(`${one.id} has ${unknown.join(', ')}, which the runner does not know`);
  }
  return wanted;
}
