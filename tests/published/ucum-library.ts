/** The UCUM reference library of the US National Library of Medicine, typed as far as it is used here. */
import { createRequire } from 'node:module';

interface Unit {
  readonly csCode_: string;
  readonly dim_: { readonly dimVec_: readonly number[] } | null;
}

interface UcumLhcUtils {
  validateUnitString(unit: string): { readonly status: 'valid' | 'invalid' | 'error'; readonly ucumCode: string | null };
  convertUnitTo(
    from: string,
    value: number,
    to: string,
  ): { readonly status: 'succeeded' | 'failed' | 'error'; readonly toVal: number | null };
  getSpecifiedUnit(unit: string, action: 'validate'): { readonly unit: Unit | null };
}

interface UcumLibrary {
  readonly UcumLhcUtils: { getInstance(): UcumLhcUtils };
}

// the package is CommonJS and has no types of its own
const library = createRequire(import.meta.url)('@lhncbc/ucum-lhc') as UcumLibrary;
const ucum = library.UcumLhcUtils.getInstance();

/** Is it a UCUM code exactly as written? (The library trims its input.) */
export function isUcum(code: string): boolean {
  const { status, ucumCode } = ucum.validateUnitString(code);
  return status === 'valid' && ucumCode === code;
}

/** Exponents of UCUM's seven base units; [0,0,1,…] is a mass, [1,0,0,…] a length. */
export function dimensionOf(code: string): readonly number[] | undefined {
  return ucum.getSpecifiedUnit(code, 'validate').unit?.dim_?.dimVec_;
}

/** As the library converts: in binary floating point. */
export function convert(value: number, from: string, to: string): number {
  const { status, toVal } = ucum.convertUnitTo(from, value, to);
  if (status !== 'succeeded' || toVal === null) throw new Error(`cannot convert ${from} to ${to}`);
  return toVal;
}
