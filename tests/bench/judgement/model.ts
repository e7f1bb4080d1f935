/**
 * The stated model: one function a group, from seed and person number to a series. What it assumes
 * stands in `parameters.ts`, `population.ts` and `growth-figures.ts`, each number with its source.
 */
import { dialysis, healthyAdult, healthyExtreme, heartFailure, inBed, wheelchair } from './adults.ts';
import { growingChild, infant } from './children.ts';
import type { Group, Series } from './series.ts';

export type Model = (seed: number, number: number) => Series;

export const MODELS: Readonly<Record<Group, Model>> = {
  'healthy-adults': healthyAdult,
  'healthy-extremes': healthyExtreme,
  'heart-failure': heartFailure,
  dialysis,
  'growing-children': growingChild,
  infants: infant,
  wheelchair,
  'in-bed': inBed,
};
