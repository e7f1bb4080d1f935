/**
 * Example instances that HL7 publishes, as they are, when they lie beside the project: the
 * profile verdict (nothing wrong with structure, codes or units) and the verdict of this
 * service's own rules are two things, and several official examples differ in them.
 */
import { readFileSync } from 'node:fs';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { RULES } from '../../src/core/rules/index.ts';
import { treeOf } from '../http/edge.ts';
import { policyWith, startService, type Service } from '../service.ts';
import { sharedData } from '../shared-data.ts';
import { objects, rulesOf } from './readings.ts';

interface OfficialExample {
  readonly file: string;
  readonly status: 201 | 202 | 422;
  /** The rules that refuse or hold; none for an accepted one. */
  readonly because: readonly string[];
  /** Is it a weight, height or BMI that conforms to its R4 profile? */
  readonly conforms: boolean;
}

const R4: readonly OfficialExample[] = [
  { file: 'observation-example.json', status: 201, because: [], conforms: true },
  { file: 'observation-example-body-height.json', status: 422, because: ['precision-step'], conforms: true },
  { file: 'observation-example-body-length.json', status: 202, because: ['value-unusual'], conforms: true },
  { file: 'observation-example-bmi.json', status: 422, because: ['bmi-nothing-to-compare'], conforms: true },
  { file: 'observation-example-bmi-using-related.json', status: 422, because: ['bmi-nothing-to-compare'], conforms: true },
  { file: 'observation-example-vitals-panel.json', status: 422, because: ['code-not-served'], conforms: false },
  { file: 'observation-example-head-circumference.json', status: 422, because: ['code-not-served'], conforms: false },
  { file: 'observation-example-bloodpressure-cancel.json', status: 422, because: ['code-not-served'], conforms: false },
  { file: 'observation-example-unsat.json', status: 422, because: ['category-missing', 'code-not-served'], conforms: false },
];

const US_CORE: readonly OfficialExample[] = [
  { file: 'Observation-example-weight.json', status: 422, because: ['precision-step'], conforms: true },
  { file: 'Observation-example-height.json', status: 422, because: ['precision-step'], conforms: true },
  { file: 'Observation-example-bmi.json', status: 422, because: ['bmi-nothing-to-compare'], conforms: true },
  { file: 'Observation-example-pediatric-bmi-example.json', status: 422, because: ['code-not-served'], conforms: false },
];

/** Rules that ask whether it is a conformant resource of a served profile at all. */
const CONFORMANCE = new Set(RULES.filter(({ family }) => ['structure', 'profile', 'unit'].includes(family)).map(({ id }) => id));

describe.each([
  ['HL7 FHIR R4 (4.0.1), examples', sharedData('standards/fhir-r4-4.0.1/examples'), R4],
  ['HL7 US Core 7.0.0, examples', sharedData('standards/us-core-7.0.0'), US_CORE],
] as const)('%s', (_name, folder, examples) => {
  let service: Service;
  beforeAll(async () => {
    // their dates are old on purpose: what is asked here is not how old they are
    service = await startService({ now: '2026-03-02T10:00:00Z', policy: policyWith({ 'time.oldestDays': 36_500 }) });
  });
  afterAll(() => service.close());

  test.skipIf(folder === undefined).for(examples)('$file is answered $status', async ({ file, status, because, conforms }) => {
    const text = readFileSync(`${folder}/${file}`, 'utf8');
    const answer = await service.post('Observation', text, { Prefer: 'return=OperationOutcome' });
    expect(answer.status, answer.text).toBe(status);
    const serious = objects(treeOf(answer)['issue']).filter(({ severity }) => severity !== 'information');
    const named = rulesOf({ resourceType: 'OperationOutcome', issue: serious });
    expect(named.sort()).toEqual([...because].sort());
    expect(named.some((rule) => CONFORMANCE.has(rule))).toBe(!conforms);
  });

  const accepted = examples.filter(({ status }) => status === 201);

  test.skipIf(folder === undefined || accepted.length === 0)('everything that the accepted one says is kept', async () => {
    for (const { file } of accepted) {
      const sent = readFileSync(`${folder}/${file}`, 'utf8');
      const { resources } = await service.store.read.searchObservations({ includeHeld: false, sort: [], count: 10 });
      expect(resources.length).toBe(1);
      const kept = resources[0]?.text ?? '';
      for (const [, literal = ''] of sent.matchAll(/"(?:code|display|reference|unit)"\s*:\s*("(?:[^"\\]|\\.)*")/g))
        expect(kept).toContain(literal);
      expect(kept).toContain('"value":185,');
    }
  });
});
