/**
 * By which rules an error counts as named: their sentence says what went wrong, or that the change
 * cannot be, so that whoever reads it knows where to look. Ids of rules that a build does not have
 * name nothing there.
 */
import type { ErrorKind } from './errors.ts';

export const EXPECTED_RULES: Readonly<Record<ErrorKind, readonly string[]>> = {
  'pounds-as-kilograms': ['mixup-pounds-as-kilograms'],
  'kilograms-as-pounds': ['mixup-kilograms-as-pounds'],
  'inches-as-centimetres': ['mixup-inches-as-centimetres'],
  'centimetres-as-inches': ['mixup-centimetres-as-inches'],
  'grams-as-kilograms': ['mixup-grams'],
  'decimal-point-right': ['mixup-decimal-point'],
  'decimal-point-left': ['mixup-decimal-point'],
  'weight-and-height-exchanged': ['mixup-weight-height'],
  'height-leading-one-dropped': ['height-change'],
  'other-person': ['mixup-other-person'],
  'tare-not-subtracted': ['tare-arithmetic', 'tare-forgotten'],
  'tare-subtracted-twice': ['tare-subtracted-twice', 'value-negative'],
  'tare-missing': ['tare-missing', 'tare-forgotten'],
  'linen-not-zeroed': ['weight-change-rate'],
  'digits-transposed': ['weight-change-rate'],
  'carried-forward': [],
  'double-press': ['double-press'],
  'impossible-digit': ['scale-division', 'precision-step'],
  'converted-digits': ['precision-step'],
  'zero-check-expired': ['zero-check-old'],
  'calibration-overdue': ['calibration-overdue'],
  'scale-in-quarantine': ['device-quarantined'],
  'time-in-future': ['time-future'],
};
