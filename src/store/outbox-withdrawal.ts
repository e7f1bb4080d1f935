/**
 * Items that are taken back before they were sent, because the decision that they follow from was.
 *
 * Workers claim without waiting for the writers (see `outbox-claiming.ts`), so an item is withdrawn
 * by the very statement that sees that nobody has claimed it: whoever comes second finds the row
 * changed. A claim counts as a try, so an item without tries was in nobody's hands, ever.
 */
import type { Kysely, Selectable } from 'kysely';
import type { ItemsBehind, OutboxItem } from '../ports.ts';
import { readItems } from './outbox-items.ts';
import type { OutboxItemTable, StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** Why such an item is discarded; stands in rows, by which it is known. */
export const WITHDRAWN = 'the decision that it followed from was taken back';

/** The greatest number in use; 0 when there is none. */
export async function lastItem(db: Db): Promise<number> {
  const row = await db.selectFrom('outbox_item').select('number').orderBy('number', 'desc').limit(1).executeTakeFirst();
  return row?.number ?? 0;
}

/** All that were not withdrawn before. */
function itemsBehind(db: Db, { number, persons, observations }: ItemsBehind) {
  return db
    .selectFrom('outbox_item')
    .where('number', '>', number)
    .where((eb) =>
      eb.or([
        ...(persons.length === 0 ? [] : [eb('person', 'in', persons)]),
        ...(observations.length === 0
          ? []
          : [
              eb(
                'number',
                'in',
                eb
                  .selectFrom('outbox_concern')
                  .select('outbox_concern.number')
                  .where('outbox_concern.number', '>', number)
                  .where('observation_id', 'in', observations),
              ),
            ]),
      ]),
    )
    .where((eb) => eb.or([eb('state', '<>', 'discarded'), eb('reason', '<>', WITHDRAWN)]));
}

type Row = Selectable<OutboxItemTable>;

/** Items that an operator gave up are for the operator to answer for: nothing of them is taken back. */
function hasLeft({ tries, state }: Pick<Row, 'tries' | 'state'>): boolean {
  return tries > 0 || state === 'sent' || state === 'discarded';
}

export async function dueOf(db: Db, items: ItemsBehind): Promise<number | 'gone' | undefined> {
  const found = await itemsBehind(db, items).select(['tries', 'state', 'due_ms']).execute();
  if (found.length === 0) return undefined;
  return found.some(hasLeft) ? 'gone' : Math.min(...found.map(({ due_ms }) => due_ms));
}

/** Undefined when one of them was claimed: the caller then takes back its whole unit of work. */
export async function withdraw(db: Db, items: ItemsBehind): Promise<readonly OutboxItem[] | undefined> {
  const found = await itemsBehind(db, items).selectAll().orderBy('number').execute();
  if (found.length === 0) return [];
  if (found.some(hasLeft)) return undefined;
  const withdrawn = await db
    .updateTable('outbox_item')
    .set({ state: 'discarded', reason: WITHDRAWN, blocked_by: null })
    .where(
      'number',
      'in',
      found.map(({ number }) => number),
    )
    .where('state', 'in', ['waiting', 'parked'])
    .where('tries', '=', 0)
    .where('leased_until_ms', 'is', null)
    .returning('number')
    .execute();
  return withdrawn.length === found.length ? readItems(db, found) : undefined;
}

/** An Observation that the EHR is known to have has no such version left: its copy may have come by any item. */
export async function withdrawnVersions(db: Db, observationId: string): Promise<ReadonlySet<number>> {
  const rows = await db
    .selectFrom('outbox_item')
    .innerJoin('outbox_concern', 'outbox_concern.number', 'outbox_item.number')
    .selectAll('outbox_item')
    .where('observation_id', '=', observationId)
    .execute();
  const [withdrawn, others] = [new Set<number>(), new Set<number>()];
  for (const { state, reason, resources } of await readItems(db, rows)) {
    const versions = state === 'discarded' && reason === WITHDRAWN ? withdrawn : others;
    for (const { type, id, version } of resources) if (type === 'Observation' && id === observationId) versions.add(version);
  }
  if (withdrawn.size === 0) return withdrawn;
  const copy = await db
    .selectFrom('ehr_copy')
    .select('id')
    .where('type', '=', 'Observation')
    .where('id', '=', observationId)
    .executeTakeFirst();
  return copy === undefined ? new Set([...withdrawn].filter((version) => !others.has(version))) : new Set();
}

export async function isAwaited(db: Db, observationId: string, behind: number): Promise<boolean> {
  const item = await db
    .selectFrom('outbox_item')
    .innerJoin('outbox_concern', 'outbox_concern.number', 'outbox_item.number')
    .select('outbox_item.number')
    .where('observation_id', '=', observationId)
    .where('outbox_item.number', '>', behind)
    .where('state', 'in', ['waiting', 'parked'])
    .where('tries', '=', 0)
    .limit(1)
    .executeTakeFirst();
  return item !== undefined;
}
