/** The parts that the content of derived Observations is put together from. */
import { exactNumber } from '../json.ts';
import { SYSTEM } from '../terminology.ts';
import type { Content } from './draft.ts';

export type Component = NonNullable<Content['component']>[number];
export type Amount = NonNullable<Content['valueQuantity']>;

/** @param text written digits; @param code UCUM, which is also what people read unless `unit` says it better */
export function amount(text: string, code: string, unit = code): Amount {
  return { value: exactNumber(text), unit, system: SYSTEM.ucum, code };
}

export function concept(
  ...coding: readonly { readonly system: string; readonly code: string; readonly display: string }[]
): Content['code'] {
  return { coding: coding.map(({ system, code, display }) => ({ system, code, display })) };
}
