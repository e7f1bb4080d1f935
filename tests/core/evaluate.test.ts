import { describe, expect, it } from 'vitest';
import { evaluate, type Evaluation } from '../../src/core/evaluate.ts';
import { explainFinding, verdictOf } from '../../src/core/finding.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { decimal } from '../../src/core/decimal.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import type { Context } from '../../src/core/reading.ts';
import { COARSE_TAG, HELD_TAG, OURS } from '../../src/core/terminology.ts';
import { context, deepFreeze, height, reading, weight, type Changes } from '../measurements.ts';

const rulesOf = ({ findings }: Evaluation): string[] => findings.map(({ rule, outcome }) => `${outcome}: ${rule.id}`);
const judged = (of: Parameters<typeof evaluate>[0], changes: Partial<Context> = {}): Evaluation =>
  evaluate(deepFreeze(of), deepFreeze(context(changes)));
const tall = [reading(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }), 'h1')];
const replaces = { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' } as const;

describe('an accepted weight', () => {
  const evaluation = judged(weight('80.0'), { history: tall });

  it('is stored enriched, with the BMI that follows and no finding', () => {
    expect(evaluation).toMatchObject({ verdict: 'accepted', findings: [] });
    expect(evaluation.stored?.reading).toMatchObject({ id: 'reading-1', status: 'final', held: false });
    expect(evaluation.derived.map(({ id, observation }) => [id, observation.valueQuantity?.value?.value])).toEqual([
      ['bmi-reading-1', '31.3'],
    ]);
  });

  it('is filed with the facts that searches need', () => {
    expect(evaluation.stored?.facts).toMatchObject({
      of: 'weight',
      person: 'Patient/ada',
      status: 'final',
      held: false,
      startMs: Date.parse('2026-03-02T08:00:00Z'),
      codes: [{ system: 'http://loinc.org', value: '29463-7' }],
      categories: [{ value: 'vital-signs' }],
      identifiers: [{ system: OURS.observationIdentifier, value: 'reading-1' }],
      derivedFrom: [],
    });
  });

  it('is judged the same way twice', () => {
    expect(stringifyExact(judged(weight('80.0'), { history: tall }).stored!.observation)).toBe(
      stringifyExact(evaluation.stored!.observation),
    );
  });
});

describe('a weight without a BMI', () => {
  it.each<[string, Changes, Partial<Context>, string]>([
    ['without a height', {}, { history: [] }, 'no measured height is recent enough. Measure the height; the BMI follows by itself.'],
    [
      'of a baby',
      { valueQuantity: weight('8.0').valueQuantity as never },
      { person: { key: 'Patient/ada', known: true, birthDate: '2025-06-01' } },
      'the person is younger than the policy allows. Use weight for length under two years.',
    ],
    ['that is preliminary', { status: 'preliminary' }, {}, 'only a final, measured weight counts. Weigh the person when that is possible.'],
  ])('%s says why', (_what, changes, around, reason) => {
    const evaluation = judged(weight('80.0', 'kg', changes), { history: tall, ...around });
    expect(evaluation.verdict).toBe('accepted');
    expect(evaluation.derived).toEqual([]);
    expect(evaluation.findings.map(explainFinding)).toContain(`No BMI was derived: ${reason}`);
  });

  it('and a height say nothing of BMI', () => {
    expect(rulesOf(judged(height()))).toEqual([]);
    const asleep = judged(weight('1', 'kg', { valueQuantity: undefined, dataAbsentReason: { text: 'asleep' } }));
    expect(rulesOf(asleep)).toEqual(['inform: not-weighed']);
  });
});

describe('a held weight', () => {
  const evaluation = judged(weight('300.0'), { history: tall });

  it('is stored preliminary, tagged, with the status it was sent with, and no BMI follows', () => {
    expect(evaluation.verdict).toBe('held');
    expect(evaluation.derived).toEqual([]);
    expect(evaluation.stored).toMatchObject({
      observation: {
        status: 'preliminary',
        meta: { tag: [HELD_TAG] },
        extension: [{ url: OURS.statusAsSentExtension, valueCode: 'final' }],
      },
      reading: { held: true, status: 'final', doubts: [] },
      facts: { held: true, status: 'preliminary', tags: [{ system: HELD_TAG.system, value: 'held' }] },
    });
  });

  it('voids the BMI that its earlier version gave', () => {
    const standing = [
      {
        id: 'bmi-reading-1',
        version: 1,
        status: 'final',
        weightId: 'reading-1',
        heightId: 'h1',
        valueText: '31.3',
        effectiveText: '2026-03-02T08:00:00Z',
      },
    ] as const;
    const { derived } = judged(weight('300.0', 'kg', { status: 'amended' }), { history: tall, standing, replaces, version: 2 });
    expect(derived.map(({ id, version, observation }) => [id, version, observation.status])).toEqual([
      ['bmi-reading-1', 2, 'entered-in-error'],
    ]);
  });
});

describe('a weight from a scale that shows half kilograms', () => {
  const device = { key: 'Device/bed', known: true, division: { value: decimal('0.5'), unit: 'kg' } } as const;
  const tagsOf = ({ stored }: Evaluation): unknown => stored?.observation.meta?.tag;

  it('is held by default', () => {
    const evaluation = judged(weight('80.5'), { device, history: tall });
    expect(evaluation).toMatchObject({ verdict: 'held', derived: [] });
    expect(tagsOf(evaluation)).toEqual([COARSE_TAG, HELD_TAG]);
  });

  it('is accepted and marked where the policy says so, since for some people it is the only scale', () => {
    const policy = { ...DEFAULT_POLICY, outcomes: { 'scale-coarse': 'warn' } } as const;
    const evaluation = judged(weight('80.5'), { device, history: tall, policy });
    expect(evaluation.verdict).toBe('accepted');
    expect(rulesOf(evaluation)).toEqual(['warn: scale-coarse']);
    expect(tagsOf(evaluation)).toEqual([COARSE_TAG]);
    expect(evaluation.derived).toHaveLength(1);
  });

  it('is not marked when the scale is fine enough', () => {
    expect(tagsOf(judged(weight('80.5'), { device: { ...device, division: { value: decimal('0.1'), unit: 'kg' } } }))).toBeUndefined();
  });
});

describe('a refused weight', () => {
  it('has every finding, stores nothing and derives nothing', () => {
    const evaluation = judged(weight('700.33', 'kg', { effectiveDateTime: '2027-03-02T08:00:00Z' }));
    expect(evaluation).toMatchObject({ verdict: 'refused', derived: [] });
    expect(evaluation.stored).toBeUndefined();
    expect(rulesOf(evaluation).sort()).toEqual([
      'hold: mixup-decimal-point',
      'refuse: precision-step',
      'refuse: time-future',
      'refuse: value-impossible',
    ]);
  });
});

describe('the policy', () => {
  it('moves a rule that may be moved, and the verdict with it', () => {
    const moved = (outcome: 'refuse' | 'warn') =>
      judged(weight('300.0'), { policy: { ...DEFAULT_POLICY, outcomes: { 'value-unusual': outcome } } });
    expect([moved('refuse').verdict, moved('warn').verdict]).toEqual(['refused', 'accepted']);
  });

  it('does not move what may not be moved', () => {
    const evaluation = judged(weight('70.33'), { policy: { ...DEFAULT_POLICY, outcomes: { 'precision-step': 'warn' } } });
    expect(evaluation.verdict).toBe('refused');
  });
});

describe('a correction', () => {
  it('is the next version and says which one it revises', () => {
    const { stored, verdict } = judged(weight('71.0', 'kg', { status: 'corrected' }), { replaces, version: 2 });
    expect(verdict).toBe('accepted');
    expect(stored?.provenance).toMatchObject({
      id: 'prov-reading-1-2',
      activity: { coding: [{ code: 'UPDATE' }] },
      entity: [{ role: 'revision', what: { reference: 'Observation/reading-1/_history/1' } }],
    });
  });

  it.each([
    ['person', { ...replaces, person: 'Patient/bo' }],
    ['measure', { ...replaces, of: 'height' }],
  ] as const)('may not change the %s', (what, before) => {
    const evaluation = judged(weight('71.0'), { replaces: before, version: 2 });
    expect(evaluation.verdict).toBe('refused');
    expect(evaluation.findings.map(explainFinding)).toContain(
      `A correction may not change the ${what}. Mark this reading as entered-in-error and post the right one anew.`,
    );
  });

  it('that withdraws needs something to withdraw', () => {
    expect(rulesOf(judged(weight('70.0', 'kg', { status: 'entered-in-error' })))).toContain('refuse: correction-unknown');
  });

  it.each<[string, Changes, Partial<Context>]>([
    ['of a scale that is out of use', {}, { device: { key: 'Device/s1', known: true, status: 'inactive' } }],
    ['of an impossible value', { valueQuantity: weight('700.33').valueQuantity as never }, {}],
    ['of somebody who is born later, as it turned out', {}, { person: { key: 'Patient/ada', known: true, birthDate: '2026-03-10' } }],
    [
      'of a reading that was marked as a test',
      { meta: { security: [{ system: 'http://terminology.hl7.org/CodeSystem/v3-ActReason', code: 'HTEST' }] } },
      {},
    ],
    ['of a person who is no longer certain', {}, { person: { key: 'Patient/ada', known: false, ambiguous: true } }],
  ])('that withdraws a reading %s is never held or refused', (_what, changes, around) => {
    const evaluation = judged(weight('70.0', 'kg', { ...changes, status: 'entered-in-error' }), { replaces, version: 2, ...around });
    expect(evaluation.verdict).toBe('accepted');
    expect(evaluation.stored?.observation.status).toBe('entered-in-error');
  });
});

describe('every evaluation', () => {
  it('has the verdict of its findings', () => {
    for (const one of [weight(), weight('300.0'), weight('70.33'), height('1.7'), weight('70.0', 'cm')]) {
      const { verdict, findings } = judged(one);
      expect(verdict).toBe(verdictOf(findings));
    }
  });
});
