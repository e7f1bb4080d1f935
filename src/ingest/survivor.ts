/**
 * Who stands for a Patient: itself, or the one at the end of its replaced-by links. A record that
 * was merged into another one "must no longer be used" (HL7 FHIR R4 4.0.1, ValueSet link-type,
 * replaced-by), so what is sent for it is filed for the survivor, known or not yet known.
 */
import { logicalKey } from '../core/pointers.ts';
import type { StoreReader, Token } from '../ports.ts';

/** So many Patients may carry one identifier before the search for the person behind it ends. */
const MOST_HOLDERS = 20;

type Links = Pick<StoreReader, 'referencesOf'>;

/** Ids on the way from a Patient to the survivor, itself first. A circle ends where it closes. */
async function chainFrom(reader: Links, id: string): Promise<readonly string[]> {
  const chain = new Set<string>();
  for (let next: string | undefined = id; next !== undefined && !chain.has(next);) {
    chain.add(next);
    const [reference]: readonly string[] = await reader.referencesOf('Patient', next);
    next = reference === undefined ? undefined : /^Patient\/(.+)$/.exec(reference)?.[1];
  }
  return [...chain];
}

/** Id of the Patient that a Patient's readings are filed for. */
export async function survivorOf(reader: Links, id: string): Promise<string> {
  return (await chainFrom(reader, id)).at(-1) ?? id;
}

/** Do the links of `from` lead to `id`? */
export async function leadsTo(reader: Links, from: string, id: string): Promise<boolean> {
  return (await chainFrom(reader, from)).includes(id);
}

/** The Patient behind an identifier, when it is one: records that were merged count as one. */
export async function personBehind(
  reader: StoreReader,
  identifier: Required<Token>,
): Promise<{ readonly id?: string; readonly ambiguous?: true }> {
  const holders = await reader.idsByIdentifier('Patient', identifier, MOST_HOLDERS + 1);
  if (holders.length > MOST_HOLDERS) return { ambiguous: true };
  const survivors = new Set<string>();
  for (const holder of holders) survivors.add(await survivorOf(reader, holder));
  const [id, another] = survivors;
  if (another !== undefined) return { ambiguous: true };
  return id === undefined ? {} : { id };
}

/**
 * The key that readings sent under a key are filed for now; undefined when it fits several people.
 *
 * @param key `Patient/{id}` or `identifier:{system}|{value}`
 */
export async function personFor(reader: StoreReader, key: string): Promise<string | undefined> {
  const id = /^Patient\/(.+)$/.exec(key)?.[1];
  if (id !== undefined) return `Patient/${await survivorOf(reader, id)}`;
  const [, system, value] = /^identifier:([^|]*)\|(.*)$/s.exec(key) ?? [];
  if (system === undefined || value === undefined) return key;
  const { id: holder, ambiguous } = await personBehind(reader, { system, value });
  if (ambiguous) return undefined;
  return holder === undefined ? logicalKey({ system, value }) : `Patient/${holder}`;
}
