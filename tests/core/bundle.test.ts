import { describe, expect, it } from 'vitest';
import { conditionalSubject, withResolvedReferences } from '../../src/core/bundle.ts';
import { exactNumber } from '../../src/core/json.ts';
import { deepFreeze, treeOf, weight } from '../measurements.ts';

const TEMPORARY = 'urn:uuid:0b49fe9e-608d-4ec4-9070-37b2a2ca1721';

describe('temporary references', () => {
  it('become the place of the resource, at every depth, and nothing else changes', () => {
    const tree = deepFreeze({
      subject: { reference: TEMPORARY, display: TEMPORARY },
      derivedFrom: [{ reference: TEMPORARY }, { reference: 'urn:uuid:another' }, { reference: 'Observation/r9' }],
      note: [{ text: TEMPORARY }],
      valueQuantity: { value: exactNumber('70.50') },
      absent: null,
    });
    expect(withResolvedReferences(tree, new Map([[TEMPORARY, 'Patient/ada']]))).toEqual({
      subject: { reference: 'Patient/ada', display: TEMPORARY },
      derivedFrom: [{ reference: 'Patient/ada' }, { reference: 'urn:uuid:another' }, { reference: 'Observation/r9' }],
      note: [{ text: TEMPORARY }],
      valueQuantity: { value: exactNumber('70.50') },
      absent: null,
    });
  });

  it('cost nothing when there are none', () => {
    const tree = { reference: TEMPORARY };
    expect(withResolvedReferences(tree, new Map())).toBe(tree);
  });
});

describe('a conditional subject', () => {
  it('is read from the reference', () => {
    expect(conditionalSubject(treeOf(weight('70.0', 'kg', { subject: { reference: 'Patient?identifier=s|v' } })))).toBe('identifier=s|v');
  });

  it.each([
    {},
    { subject: null },
    { subject: [] },
    { subject: 'Patient?x' },
    { subject: { reference: 'Patient/ada' } },
    { subject: { reference: exactNumber('1') } },
  ])('is none in %j', (resource) => {
    expect(conditionalSubject(resource)).toBeUndefined();
  });
});
