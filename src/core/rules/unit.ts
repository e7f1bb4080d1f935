/** Units: UCUM only, the codes of the R4 profiles only, nothing guessed. */
import { UNITS, isUnitCode, proposeUnit, unitTextContradicts, unitsOf } from '../quantity.ts';
import { SYSTEM, type Measured } from '../terminology.ts';
import { VALUE, type Rule, type Subject } from './rule.ts';

const UCUM_SETS = 'HL7 FHIR R4 (4.0.1), ValueSet ucum-bodyweight and ucum-bodylength (required bindings)';

function measured({ measure }: Subject): Measured | undefined {
  return measure === undefined || measure.of === 'bmi' ? undefined : measure.of;
}

const unitSystem: Rule = {
  id: 'unit-system',
  title: 'The unit is not a UCUM unit',
  family: 'unit',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: `${VALUE}.system`,
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition bodyweight, bodyheight: valueQuantity.system is fixed',
  explain: `The system of the unit is not ${SYSTEM.ucum}, letter for letter. Send that system with a UCUM code.`,
  check: ({ observation: { valueQuantity } }) =>
    valueQuantity?.system !== undefined && valueQuantity.system !== SYSTEM.ucum ? {} : undefined,
};

const unitCode: Rule = {
  id: 'unit-code',
  title: 'A unit code that is not accepted',
  family: 'unit',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: `${VALUE}.code`,
  source: UCUM_SETS,
  explain:
    'The unit code is not one of {accepted}{proposal}. UCUM codes are case-sensitive; set the device to one of these units, do not convert.',
  check: (subject) => {
    const { system, code } = subject.observation.valueQuantity ?? {};
    const of = measured(subject);
    // a code of another system is that system's business: `unit-system` has refused it
    if (code === undefined || of === undefined || isUnitCode(code) || (system !== undefined && system !== SYSTEM.ucum)) return undefined;
    const meant = code.length <= 32 ? proposeUnit(code) : undefined;
    const proposal = meant !== undefined && UNITS[meant].of === of ? `; ${meant} was probably meant` : '';
    return { facts: { accepted: unitsOf(of).join(', '), proposal } };
  },
};

const unitDimension: Rule = {
  id: 'unit-dimension',
  title: 'A weight in a unit of length, or the reverse',
  family: 'unit',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: `${VALUE}.code`,
  source: UCUM_SETS,
  explain:
    'A body {measure} cannot be in {unit}. Check whether weight and height were exchanged, and send the reading under its right code.',
  check: (subject) => {
    const { code } = subject.observation.valueQuantity ?? {};
    const of = measured(subject);
    if (code === undefined || of === undefined || !isUnitCode(code) || UNITS[code].of === of) return undefined;
    return { facts: { measure: of, unit: code } };
  },
};

const metricOnly: Rule = {
  id: 'metric-only',
  title: 'Pounds or inches, where only metric units are allowed',
  family: 'unit',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: `${VALUE}.code`,
  source: 'ISMP Targeted Medication Safety Best Practices, practice 3 (weigh and document in metric units only)',
  explain:
    'This site accepts kilograms, grams and centimetres only, and the reading is in {unit}. Set the device to metric and measure again; do not convert.',
  settings: ['metricOnly'],
  check: ({ quantity, context, observation }) =>
    quantity && context.policy.values.metricOnly && UNITS[quantity.unit].imperial && observation.status !== 'entered-in-error'
      ? { facts: { unit: quantity.unit } }
      : undefined,
};

const unitText: Rule = {
  id: 'unit-text-contradicts',
  title: 'Unit text and unit code contradict each other',
  family: 'unit',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: `${VALUE}.unit`,
  source: 'Pennsylvania Patient Safety Authority, A Weighty Problem (2018): kilograms charted as pounds',
  explain: 'The unit code is {unit}, but the unit text reads like {shown}. Weigh again, and correct the sender so that both say the same.',
  check: ({ observation, quantity }) => {
    const text = observation.valueQuantity?.unit;
    if (text === undefined || quantity === undefined || text.length > 32) return undefined;
    const shown = unitTextContradicts(text, quantity.unit);
    return shown && { facts: { unit: quantity.unit, shown } };
  },
};

const comparator: Rule = {
  id: 'value-comparator',
  title: 'A bound instead of a reading',
  family: 'unit',
  outcome: 'refuse',
  movable: false,
  code: 'value',
  expression: `${VALUE}.comparator`,
  source: 'HL7 FHIR R4 (4.0.1), Datatypes, Quantity: a comparator must never be ignored',
  explain:
    'The value says "more than" or "less than", which is what a scale shows beyond its range, not a weight. Use a scale with enough capacity.',
  check: ({ observation }) => (observation.valueQuantity?.comparator === undefined ? undefined : {}),
};

export const UNIT_RULES: readonly Rule[] = [unitSystem, unitCode, unitDimension, metricOnly, unitText, comparator];
