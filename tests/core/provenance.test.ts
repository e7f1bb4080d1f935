import { describe, expect, it } from 'vitest';
import { explainFinding, finding, NO_REMARKS } from '../../src/core/finding.ts';
import { entity, referenceOf, toProvenance } from '../../src/core/provenance.ts';
import { scaleCoarse } from '../../src/core/rules/precision.ts';
import { OURS } from '../../src/core/terminology.ts';
import { context, NOW } from '../measurements.ts';

const because = {
  target: { id: 'r1', version: 2 },
  verdict: 'held',
  findings: [finding(scaleCoarse, { division: '0.5', unit: 'kg', step: '0.1' })],
  additions: [{ what: 'Observation.method', origin: 'device' }],
  entities: [entity('revision', 'Observation/r1/_history/1')],
  activity: 'UPDATE',
} as const;

describe('a Provenance', () => {
  const provenance = toProvenance(because, context());

  it('names the version it speaks of, when, and under which policy', () => {
    expect(provenance).toMatchObject({
      resourceType: 'Provenance',
      id: 'prov-r1-2',
      target: [{ reference: 'Observation/r1/_history/2' }],
      recorded: new Date(NOW).toISOString(),
      policy: [`${OURS.policyBase}/built-in`],
      activity: { coding: [{ code: 'UPDATE', display: 'revise' }] },
      entity: [{ role: 'revision', what: { reference: 'Observation/r1/_history/1' } }],
    });
  });

  it('says each rule with its outcome and source, and each addition with its origin', () => {
    expect(provenance.extension).toEqual([
      {
        url: OURS.decisionExtension,
        extension: [
          { url: 'verdict', valueCode: 'held' },
          { url: 'policyVersion', valueString: 'built-in' },
          {
            url: 'rule',
            extension: [
              { url: 'id', valueCode: 'scale-coarse' },
              { url: 'outcome', valueCode: 'hold' },
              { url: 'source', valueString: scaleCoarse.source },
              { url: 'says', valueString: explainFinding(because.findings[0]) },
            ],
          },
        ],
      },
      {
        url: OURS.enrichmentExtension,
        extension: [
          { url: 'what', valueString: 'Observation.method' },
          { url: 'origin', valueCode: 'device' },
        ],
      },
    ]);
  });

  it('repeats no sentence of a rule that only informed', () => {
    const { extension: [decision] = [] } = toProvenance({ ...because, findings: [finding(NO_REMARKS)] }, context());
    const rule = decision?.extension?.find(({ url }) => url === 'rule');
    expect(rule?.extension?.map(({ url }) => url)).toEqual(['id', 'outcome', 'source']);
  });

  it('of a new version one is a creation from nothing', () => {
    const created = toProvenance({ ...because, target: { id: 'r1', version: 1 }, entities: [], activity: 'CREATE' }, context());
    expect(created.activity?.coding?.[0]?.display).toBe('create');
    expect(created).not.toHaveProperty('entity');
  });
});

describe('the reference of a key', () => {
  it('is literal, or an identifier whose value may hold anything', () => {
    expect(referenceOf('Patient/ada')).toEqual({ reference: 'Patient/ada' });
    expect(referenceOf('identifier:urn:oid:1.2|HL|1\n2')).toEqual({ identifier: { system: 'urn:oid:1.2', value: 'HL|1\n2' } });
  });
});
