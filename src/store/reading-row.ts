/**
 * Decoded readings and what is stored of derived figures as the compact text of one column, and back.
 *
 * Measured values travel as their written digits inside JSON strings, so no digit is ever a
 * JavaScript number. Id, version, person and moves stand in columns and are not repeated here.
 */
import { quantity, type Quantity, type UnitCode } from '../core/quantity.ts';
import type { StandingFacts } from '../core/facts.ts';
import type { Reading, StandingDerived } from '../core/reading.ts';

type Column = 'id' | 'version' | 'person' | 'moves';
type Measure = 'quantity' | 'gross' | 'tare';
type WrittenQuantity = readonly [text: string, unit: UnitCode];
type Limb = NonNullable<Reading['limb']>;
type ReadingText = Omit<Reading, Column | Measure | 'limb'> & { readonly [Key in Measure]?: WrittenQuantity } & {
  readonly limb?: Omit<Limb, 'length'> & { readonly length: WrittenQuantity };
};

export function toReadingText({
  id: _id,
  version: _version,
  person: _person,
  moves: _moves,
  quantity,
  gross,
  tare,
  limb,
  ...rest
}: Reading): string {
  return JSON.stringify({
    ...rest,
    ...(quantity && { quantity: written(quantity) }),
    ...(gross && { gross: written(gross) }),
    ...(tare && { tare: written(tare) }),
    ...(limb && { limb: { ...limb, length: written(limb.length) } }),
  } satisfies ReadingText);
}

/** The very reading that {@link toReadingText} was given: what was absent is absent. */
export function fromReadingText(text: string, { moves, ...columns }: Required<Pick<Reading, Column>>): Reading {
  const { quantity, gross, tare, limb, ...rest } = JSON.parse(text) as ReadingText;
  return {
    ...columns,
    ...(moves > 0 && { moves }),
    ...rest,
    ...(quantity && { quantity: fromWritten(quantity) }),
    ...(gross && { gross: fromWritten(gross) }),
    ...(tare && { tare: fromWritten(tare) }),
    ...(limb && { limb: { ...limb, length: fromWritten(limb.length) } }),
  };
}

function written({ text, unit }: Quantity): WrittenQuantity {
  return [text, unit];
}

function fromWritten([text, unit]: WrittenQuantity): Quantity {
  const read = quantity(text, unit);
  if (read === undefined) throw new Error('the store holds a quantity that is no decimal');
  return read;
}

export function toStandingText(standing: StandingFacts): string {
  return JSON.stringify(standing);
}

export function fromStandingText(text: string, columns: Pick<StandingDerived, 'id' | 'version' | 'status'>): StandingDerived {
  return { ...columns, ...(JSON.parse(text) as StandingFacts) };
}
