/**
 * What goes out is as good as what may come in: every Observation and Provenance that a whole
 * invented ward day leaves in the service conforms, in both shapes of the qualifiers, by our own
 * check and by an independent validator (the npm package `fhir` 4.12.0).
 */
import { createRequire } from 'node:module';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { sendWardDay } from '../examples/simulator/gateway.ts';
import { wardDay } from '../examples/simulator/ward-day.ts';
import { conformResource } from '../src/core/conform.ts';
import { parseExactJson, toPlain, type JsonObject } from '../src/core/json.ts';
import { codedMeasure, type ExactObservation } from '../src/core/observation.ts';
import { DEFAULT_POLICY } from '../src/core/policy.ts';
import { unitsOf } from '../src/core/quantity.ts';
import { OURS, PARENT_CODE, R4_PROFILE, SYSTEM, type Quantified } from '../src/core/terminology.ts';
import { policyWith, startService, type Service } from './service.ts';

const NOW = Date.parse('2026-03-02T10:00:00Z');

interface Opinion {
  readonly valid: boolean;
  readonly messages: readonly { readonly severity: string; readonly message: string }[];
}
const { Fhir } = createRequire(import.meta.url)('fhir') as {
  Fhir: new () => { validate(resource: unknown, options: { errorOnUnexpected: boolean }): Opinion };
};
const secondOpinion = new Fhir();

const SHAPES = { component: DEFAULT_POLICY, extension: policyWith({ 'qualifiers.shape': 'extension' }) } as const;

describe.each(Object.entries(SHAPES))('a ward day with qualifiers as %s', (shape, policy) => {
  let service: Service;
  let observations: JsonObject[];
  let provenances: JsonObject[];

  beforeAll(async () => {
    service = await startService({ now: () => NOW, policy });
    const answers = await sendWardDay(wardDay({ seed: 7, nowMs: NOW }), { base: service.base, paceMs: 0 });
    expect(answers.filter(({ isAsExpected }) => !isAsExpected)).toEqual([]);
    const open = await resources('Observation?_count=1000');
    const held = await resources('Observation?status=preliminary&_count=1000');
    observations = [...open, ...held];
    provenances = await resources('Provenance?_count=1000');
    expect(open.length).toBeGreaterThan(45);
    expect(held.length).toBe(4);
    expect(provenances.length).toBeGreaterThan(observations.length);
  });
  afterAll(() => service.close());

  async function resources(query: string): Promise<JsonObject[]> {
    const parsed = parseExactJson((await service.call('GET', `/fhir/${query}`)).text);
    if (!parsed.ok) throw new Error(parsed.problem.reason);
    const entries = ((parsed.value as JsonObject)['entry'] ?? []) as JsonObject[];
    return entries.map(({ resource }) => resource as JsonObject);
  }

  const of = (resource: JsonObject): Quantified | undefined => codedMeasure(resource as unknown as ExactObservation)?.of;

  it('leaves only resources that keep R4 structure, its constraints and those of our profiles', () => {
    for (const resource of observations) expect(conformResource(resource, 'Observation')).toMatchObject({ ok: true });
    for (const resource of provenances) expect(conformResource(resource, 'Provenance')).toMatchObject({ ok: true });
  });

  it('leaves only resources that an independent validator accepts', () => {
    for (const resource of [...observations, ...provenances]) {
      const { valid, messages } = secondOpinion.validate(toPlain(resource), { errorOnUnexpected: true });
      expect([resource['id'], valid, messages.filter(({ severity }) => severity === 'error')]).toEqual([resource['id'], true, []]);
    }
    const broken = { ...(toPlain(observations[0]) as object), status: 'nonsense', weightKg: 70 };
    expect(secondOpinion.validate(broken, { errorOnUnexpected: true }).valid).toBe(false);
  });

  it('gives each reading what the vital-signs profiles require: one category, one parent code, a Patient, a full Quantity', () => {
    for (const resource of observations) {
      const { category, code, subject, valueQuantity, effectiveDateTime, dataAbsentReason } = toPlain(resource) as {
        category: { coding: { system: string; code: string }[] }[];
        code: { coding: { system: string; code: string }[] };
        subject: { reference?: string; identifier?: { system: string; value: string } };
        valueQuantity?: { value: number; unit: string; system: string; code: string };
        effectiveDateTime: string;
        dataAbsentReason?: object;
      };
      const measure = of(resource) as Quantified;
      const isVitalSign = ({ coding }: (typeof category)[number]): boolean =>
        coding.some((one) => one.system === SYSTEM.category && one.code === 'vital-signs');
      expect(category.filter(isVitalSign)).toHaveLength(1);
      expect(code.coding.filter((one) => one.system === SYSTEM.loinc && one.code === PARENT_CODE[measure].code)).toHaveLength(1);
      expect(subject.reference?.startsWith('Patient/') ?? subject.identifier?.value !== undefined).toBe(true);
      expect(effectiveDateTime).toMatch(/^\d{4}-\d{2}-\d{2}/);
      if (dataAbsentReason) continue;
      expect(valueQuantity).toMatchObject({ unit: expect.any(String) as string, system: SYSTEM.ucum });
      expect(measure === 'bmi' ? ['kg/m2'] : unitsOf(measure)).toContain(valueQuantity?.code);
    }
  });

  it('claims the profiles that were decided', () => {
    for (const resource of observations) {
      const { meta } = resource as unknown as { meta: { profile: string[] } };
      const measure = of(resource) as Quantified;
      const ours = { weight: OURS.bodyWeightProfile, height: OURS.bodyHeightProfile, bmi: OURS.bmiProfile }[measure];
      expect(meta.profile).toContain(ours);
      expect(meta.profile.includes(R4_PROFILE[measure])).toBe(measure === 'bmi' || shape === 'extension');
    }
  });

  it('codes no component but those of the sender when they leave as extensions', () => {
    const coded = observations
      .flatMap((resource) => (resource['component'] ?? []) as { valueCodeableConcept?: object }[])
      .filter((one) => one.valueCodeableConcept);
    if (shape === 'component') expect(coded.length).toBeGreaterThan(100);
    const extended = observations
      .flatMap((resource) => (resource['extension'] ?? []) as { url: string }[])
      .filter(({ url }) => url === OURS.qualifierExtension);
    expect(extended.length > 0).toBe(shape === 'extension');
  });
});
