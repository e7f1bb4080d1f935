/** Does the scale weigh right? What its meters say of zero and calibration, and on which ward it stands. */
import { ageMs, stateAt, type CheckedState, type CheckKind } from '../calibration.ts';
import { DAY_MS, HOUR_MS } from '../fhir-time.ts';
import type { Hit, Rule, Subject } from './rule.ts';

const DEVICE = 'Observation.device';
const STATES = 'HL7 FHIR R4 (4.0.1), DeviceMetric.calibration.state';

/** Whether its scale is right matters to a measured reading that its sender vouches for. */
function isAsked({ reading }: Pick<Subject, 'reading'>): boolean {
  return reading !== undefined && reading.status !== 'entered-in-error' && (reading.basis === 'measured' || reading.basis === 'birth');
}

function stateOf(subject: Subject, kind: CheckKind): CheckedState {
  const { reading, context } = subject;
  if (reading === undefined || !isAsked(subject)) return {};
  return stateAt(context.device?.checks ?? [], kind, reading);
}

function failedHit({ failed }: CheckedState): Hit | undefined {
  return failed?.failed === undefined ? undefined : { facts: { meter: failed.meter, state: failed.failed } };
}

function oldHit(
  subject: Subject,
  { failed, last }: CheckedState,
  longestMs: number,
  facts: Readonly<Record<string, string>>,
): Hit | undefined {
  const { effective } = subject;
  if (failed || last === undefined || effective === undefined || ageMs(last, effective) <= longestMs) return undefined;
  return { facts: { ...facts, meter: last.meter, time: last.at.text } };
}

const zeroCheckFailed: Rule = {
  id: 'zero-check-failed',
  title: 'The zero check failed',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: DEVICE,
  source: `${STATES}; nursing-assistant checklists (LibreTexts, Reuter, Nursing Assistant 7.12): check zero before every weighing`,
  explain:
    'By the last zero check before the reading this scale is {state} ({meter}), so its readings wait. Zero the empty scale, send the check (PUT DeviceMetric), and weigh again.',
  check: (subject) => {
    const state = stateOf(subject, 'zero');
    // a two-point calibration that failed is one cause: calibration-required speaks of it
    return state.failed?.kinds.includes('calibration') ? undefined : failedHit(state);
  },
};

const zeroCheckOld: Rule = {
  id: 'zero-check-old',
  title: 'The zero check is old',
  family: 'device',
  outcome: 'warn',
  movable: true,
  code: 'business-rule',
  expression: DEVICE,
  source: 'PhenX Toolkit 021501, Measured Weight (scale checked daily); nursing-assistant checklists ask for it before every weighing',
  explain:
    'The last zero check of this scale was at {time} ({meter}), more than {hours} hours before the reading. Check that the empty scale shows zero, and send the check (PUT DeviceMetric).',
  settings: ['zero.validHours'],
  check: (subject) => {
    const hours = subject.context.policy.values['zero.validHours'];
    return oldHit(subject, stateOf(subject, 'zero'), hours * HOUR_MS, { hours: String(hours) });
  },
};

const calibrationRequired: Rule = {
  id: 'calibration-required',
  title: 'The scale has to be calibrated',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: DEVICE,
  source: `${STATES}; common practice: a scale in doubt is not used`,
  explain: 'This scale is {state} ({meter}), so its readings wait. Weigh again on another scale, and have this one calibrated.',
  check: (subject) => failedHit(stateOf(subject, 'calibration')),
};

const calibrationOverdue: Rule = {
  id: 'calibration-overdue',
  title: 'The calibration is overdue',
  family: 'device',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: DEVICE,
  source: 'Victoria (AU) Department of Education, child weighing page: calibrate at least once a year',
  explain:
    'This scale was last calibrated at {time} ({meter}), more than {days} days before the reading. Weigh again on another scale, and have this one calibrated.',
  settings: ['calibration.validDays'],
  check: (subject) => {
    const days = subject.context.policy.values['calibration.validDays'];
    return oldHit(subject, stateOf(subject, 'calibration'), days * DAY_MS, { days: String(days) });
  },
};

const scaleOtherWard: Rule = {
  id: 'scale-other-ward',
  title: 'A scale of another ward',
  family: 'device',
  outcome: 'warn',
  movable: true,
  code: 'business-rule',
  expression: DEVICE,
  source: 'HL7 FHIR R4 (4.0.1), Device.location; common practice, no source: a wrong person is likelier on a scale of another ward',
  explain:
    'This scale stands on {ward}, which is not the ward of this person. Check who was on the scale, and tell the service where person and scale are now.',
  check: (subject) => {
    const { device, person } = subject.context;
    const isElsewhere = device?.ward !== undefined && person.ward !== undefined && device.ward !== person.ward;
    return isElsewhere && isAsked(subject) ? { facts: { ward: device.ward } } : undefined;
  },
};

export const CALIBRATION_RULES: readonly Rule[] = [zeroCheckFailed, zeroCheckOld, calibrationRequired, calibrationOverdue, scaleOtherWard];
