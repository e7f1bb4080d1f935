/**
 * Whether the resources in a Bundle have the shape of their types, found out before a unit of work
 * is open: a thousand faulty entries take seconds to look at, and for all of that time nobody else
 * could write, on PostgreSQL no other replica either, until the database ends a transaction that idles.
 */
import { setImmediate as nextTurn } from 'node:timers/promises';
import { conformResource, fewOf, type Conformed } from '../core/conform.ts';
import type { JsonObject } from '../core/json.ts';
import type { Entry } from './entry.ts';

/** An entry, and what its resource lacks to be one of its type. */
export interface ShapedEntry extends Entry {
  readonly shape: Conformed<JsonObject>;
}

/** Between so many entries others, such as a health check, have a turn: some milliseconds of work, and of the worst entries some tens. */
const ENTRIES_A_TURN = 5;

/** The entries in their order, each with its shape. References are looked at later: a shape does not depend on what they say. */
export async function withShapes(entries: readonly Entry[]): Promise<ShapedEntry[]> {
  const shaped: ShapedEntry[] = [];
  for (const entry of entries) {
    const { request, resource } = entry;
    const conformed = conformResource(resource, request.kind === 'registry' ? request.type : 'Observation');
    shaped.push({ ...entry, shape: conformed.ok ? conformed : { ok: false, findings: fewOf(conformed.findings) } });
    if (shaped.length % ENTRIES_A_TURN === 0) await nextTurn();
  }
  return shaped;
}
