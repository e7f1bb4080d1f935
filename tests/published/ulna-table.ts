/**
 * Height in metres from ulna length: the printed table of BAPEN's malnutrition screening tool
 * (Elia 2003), as a public copy of it reads; the print itself was not seen. From 32.0 cm down to 18.5 cm by half centimetres.
 */
export const LONGEST_ULNA_CM = 32;
export const ULNA_STEP_CM = 0.5;

export interface UlnaColumn {
  readonly title: string;
  readonly sex: 'male' | 'female';
  /** An age of the column. */
  readonly years: number;
  readonly metres: readonly string[];
  /** Lengths where the print is a centimetre below the equation, so that no rounding gives it. */
  readonly belowEquation: readonly string[];
}

const column = (digits: string): string[] => digits.trim().split(/\s+/);

export const ULNA_TABLE: readonly UlnaColumn[] = [
  {
    title: 'men under 65',
    sex: 'male',
    years: 64,
    metres: column(`1.94 1.93 1.91 1.89 1.87 1.85 1.84 1.82 1.80 1.78 1.76 1.75 1.73 1.71
                    1.69 1.67 1.66 1.64 1.62 1.60 1.58 1.57 1.55 1.53 1.51 1.49 1.48 1.46`),
    belowEquation: [],
  },
  {
    title: 'men of 65 and over',
    sex: 'male',
    years: 65,
    metres: column(`1.87 1.86 1.84 1.82 1.81 1.79 1.78 1.76 1.75 1.73 1.71 1.70 1.68 1.67
                    1.65 1.63 1.62 1.60 1.59 1.57 1.56 1.54 1.52 1.51 1.49 1.48 1.46 1.45`),
    belowEquation: [],
  },
  {
    title: 'women under 65',
    sex: 'female',
    years: 64,
    metres: column(`1.84 1.83 1.81 1.80 1.79 1.77 1.76 1.75 1.73 1.72 1.70 1.69 1.68 1.66
                    1.65 1.63 1.62 1.61 1.59 1.58 1.56 1.55 1.54 1.52 1.51 1.50 1.48 1.47`),
    belowEquation: ['22.0'],
  },
  {
    title: 'women of 65 and over',
    sex: 'female',
    years: 65,
    metres: column(`1.84 1.83 1.81 1.79 1.78 1.76 1.75 1.73 1.71 1.70 1.68 1.66 1.65 1.63
                    1.61 1.60 1.58 1.56 1.55 1.53 1.52 1.50 1.48 1.47 1.45 1.44 1.42 1.40`),
    belowEquation: ['30.5', '26.5', '25.0', '23.5', '22.5', '21.0', '18.5'],
  },
];
