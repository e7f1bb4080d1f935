/** What is wrong in a message before anything of it is judged, and where; plain data. */
import type { ErrorCode } from '../errors.ts';
import type { Condition } from './v2-codes.ts';

/** A place in a message, as ERR-2 says it (ERL). */
export interface Place {
  readonly segment: string;
  /** Which one of its name, from 1. */
  readonly sequence: number;
  readonly field?: number;
  readonly component?: number;
}

export interface V2Fault {
  /** Its rule stands in our CodeSystem, as that of a call over HTTP does. */
  readonly code: ErrorCode;
  readonly condition: Condition;
  /** One sentence of fact, one of what to do. Holds nothing of the message. */
  readonly problem: string;
  readonly place?: Place;
}

export function fault(code: ErrorCode, condition: Condition, problem: string, place?: Place): V2Fault {
  return { code, condition, problem, ...(place && { place }) };
}
