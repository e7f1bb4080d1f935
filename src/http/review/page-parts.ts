/** What the pages are made from, as it is at the moment of a request. */
import type { Serving } from '../serving.ts';
import { Directory } from './directory.ts';
import type { ReadingSurroundings } from './load-reading.ts';

export interface PageParts {
  readonly serving: Serving;
  /** Anew for each page: names are looked up once in the making of it. */
  readonly surroundings: () => ReadingSurroundings;
}

/** @param nowMs the clock of the service */
export function pageParts(serving: Serving, nowMs: () => number): PageParts {
  const knownBases = [serving.baseUrl];
  return {
    serving,
    surroundings: () => {
      const policy = serving.policy.current;
      return {
        read: serving.store.read,
        directory: new Directory(serving.store.read, knownBases),
        rules: serving.rules,
        policy,
        nowMs: nowMs(),
        zone: policy.values['ward.timeZone'],
        ...(serving.growth && { growth: serving.growth }),
      };
    },
  };
}
