/**
 * Refusals that name a person. A refusal is kept as it was sent, so that whom it names is found out
 * by reading it: JSON may write a name in many ways (`Patient\/ada`), and the end of one name may be
 * the whole of another one.
 */
import { sql, type Kysely, type SqlBool } from 'kysely';
import { isJsonObject, parseExactJson, type JsonValue } from '../core/json.ts';
import { pointerOfKey } from '../core/pointers.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** A refusal may be a Bundle of some megabytes. */
const ROWS_A_PAGE = 20;

/** @param keys `Patient/{id}` or `identifier:{system}|{value}`; others name nobody. @returns how many were removed */
export async function removeRefusalsNaming(db: Db, keys: readonly string[]): Promise<number> {
  const names = keys.flatMap((key) => pointerOfKey(key) ?? []);
  if (names.length === 0) return 0;
  const mayName = sql.join(
    [...names.map((name) => containing(name.kind === 'literal' ? name.id : name.value)), containing('\\')],
    sql` or `,
  );
  let [removed, after] = [0, 0];
  for (;;) {
    const page = await db
      .selectFrom('refusal')
      .select(['number', 'content'])
      .where('number', '>', after)
      .where(sql<SqlBool>`(${mayName})`)
      .orderBy('number')
      .limit(ROWS_A_PAGE)
      .execute();
    const naming = page.filter(({ content }) => namesOne(content, names)).map(({ number }) => number);
    if (naming.length > 0) await db.deleteFrom('refusal').where('number', 'in', naming).execute();
    removed += naming.length;
    const last = page.at(-1);
    if (last === undefined) return removed;
    after = Number(last.number);
  }
}

/** Only narrows down what is read: SQLite looks past the case, and a text with escapes may hold anything. */
function containing(part: string) {
  return sql<SqlBool>`content like ${`%${part.replaceAll(/[!%_]/g, '!$&')}%`} escape '!'`;
}

type Name = NonNullable<ReturnType<typeof pointerOfKey>>;

function namesOne(content: string, names: readonly Name[]): boolean {
  const parsed = parseExactJson(content);
  return parsed.ok && names.some((name) => isNamedIn(parsed.value, name));
}

function isNamedIn(value: JsonValue, name: Name): boolean {
  if (typeof value === 'string') return name.kind === 'literal' && isReferenceTo(value, name);
  if (Array.isArray(value)) return value.some((item) => isNamedIn(item, name));
  if (!isJsonObject(value)) return false;
  const { resourceType, id, system, value: identifier } = value;
  const isOne =
    name.kind === 'literal' ? resourceType === name.type && id === name.id : system === name.system && identifier === name.value;
  return isOne || Object.values(value).some((member) => isNamedIn(member, name));
}

/** At whatever server, and of whatever version. */
function isReferenceTo(text: string, { type, id }: Extract<Name, { readonly kind: 'literal' }>): boolean {
  const plain = text.replace(/\/_history\/[^/]*$/, '');
  return plain === `${type}/${id}` || plain.endsWith(`/${type}/${id}`);
}
