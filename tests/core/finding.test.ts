import { describe, expect, it } from 'vitest';
import { explainFinding, finding, refusalStatusOf, toOperationOutcome, verdictOf, type Outcome } from '../../src/core/finding.ts';
import { fhirStructure, jsonUnreadable } from '../../src/core/rules/structure.ts';
import { identifierConflict, severalMatches } from '../../src/core/rules/identity.ts';
import { bmiDiffers, bmiNotDerived } from '../../src/core/rules/bmi.ts';
import { OURS } from '../../src/core/terminology.ts';

const at = (outcome: Outcome) => finding(bmiNotDerived, { reason: 'so it is', remedy: 'Do this.' }, { outcome });

describe('the verdict', () => {
  it('is the worst of the findings', () => {
    expect(verdictOf([])).toBe('accepted');
    expect(verdictOf([at('inform'), at('warn')])).toBe('accepted');
    expect(verdictOf([at('warn'), at('hold'), at('inform')])).toBe('held');
    expect(verdictOf([at('hold'), at('refuse')])).toBe('refused');
  });
});

describe('the status of a refusal', () => {
  it('is the lowest that a refusing rule asks for, else 422', () => {
    expect(refusalStatusOf([finding(bmiDiffers)])).toBe(422);
    expect(refusalStatusOf([finding(identifierConflict), finding(severalMatches)])).toBe(409);
    expect(refusalStatusOf([finding(identifierConflict), finding(fhirStructure)])).toBe(400);
  });

  it('does not listen to rules that do not refuse', () => {
    expect(refusalStatusOf([finding(fhirStructure, {}, { outcome: 'warn' }), finding(bmiDiffers)])).toBe(422);
    expect(refusalStatusOf([])).toBe(422);
  });
});

describe('the sentence of a finding', () => {
  it('is filled with its facts', () => {
    expect(explainFinding(finding(jsonUnreadable, { line: '3', column: '7', reason: 'comments are not JSON' }))).toBe(
      'Line 3, column 7: comments are not JSON. Send one well-formed FHIR JSON resource in UTF-8.',
    );
  });

  it('leaves a fact alone that looks like a placeholder or a replacement pattern', () => {
    expect(explainFinding(finding(fhirStructure, { problem: '{line} $& $1' }))).toContain('{line} $& $1');
  });

  it('is a bug when a fact is missing', () => {
    expect(() => explainFinding(finding(jsonUnreadable, { line: '3' }))).toThrow('json-unreadable');
  });
});

describe('an OperationOutcome', () => {
  const found = finding(identifierConflict, { existing: 'r1' }, { expression: 'Observation.identifier[0]' });

  it('says for each finding what, where, by which rule and from which source', () => {
    expect(toOperationOutcome([found], { policyVersion: 'p1' })).toEqual({
      resourceType: 'OperationOutcome',
      extension: [{ url: OURS.policyVersionExtension, valueString: 'p1' }],
      issue: [
        {
          extension: [
            { url: OURS.ruleOutcomeExtension, valueCode: 'refuse' },
            { url: OURS.ruleSourceExtension, valueString: identifierConflict.source },
          ],
          severity: 'error',
          code: 'conflict',
          details: {
            coding: [{ system: OURS.ruleSystem, code: 'identifier-conflict', display: identifierConflict.title }],
            text: identifierConflict.title,
          },
          diagnostics: explainFinding(found),
          expression: ['Observation.identifier[0]'],
        },
      ],
    });
  });

  it.each<[Outcome, string]>([
    ['refuse', 'error'],
    ['hold', 'warning'],
    ['warn', 'warning'],
    ['inform', 'information'],
  ])('shows %s as %s', (outcome, severity) => {
    expect(toOperationOutcome([at(outcome)]).issue[0]?.severity).toBe(severity);
  });

  it('has the worst finding first and equals in their order', () => {
    const { issue } = toOperationOutcome([at('inform'), at('hold'), found, at('warn'), finding(severalMatches)]);
    expect(issue.map(({ severity, details }) => `${severity} ${details?.coding?.[0]?.code}`)).toEqual([
      'error identifier-conflict',
      'error several-matches',
      'warning bmi-not-derived',
      'warning bmi-not-derived',
      'information bmi-not-derived',
    ]);
  });

  it('puts expressions under another root, except those of a header', () => {
    const root = 'Bundle.entry[3].resource';
    const { issue } = toOperationOutcome([found, finding(severalMatches), finding(fhirStructure, { problem: 'x' })], { root });
    expect(new Set(issue.map(({ expression }) => expression?.[0]))).toEqual(new Set([`${root}.identifier[0]`, 'http.If-None-Exist', root]));
  });

  it('is never empty', () => {
    expect(toOperationOutcome([]).issue).toEqual([
      expect.objectContaining({
        severity: 'information',
        code: 'informational',
        details: { coding: [expect.objectContaining({ code: 'no-remarks' })], text: 'No rule had anything to say' },
        diagnostics: 'No rule had anything to say. No action is needed.',
        expression: ['Observation'],
      }),
    ]);
  });
});
