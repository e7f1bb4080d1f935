import { createRequire } from 'node:module';
import { describe, expect, test } from 'vitest';
import { INTERACTION_ACTION, OWN_EVENTS, outcomeOfStatus, type AuditedInteraction, type OwnEvent } from '../../../src/core/audit/codes.ts';
import { LONGEST_QUERY, toAuditEvent, type AuditedFacts } from '../../../src/core/audit/event.ts';
import { auditFactsOf } from '../../../src/core/audit/facts.ts';
import { OURS } from '../../../src/core/terminology.ts';

const { Fhir } = createRequire(import.meta.url)('fhir') as {
  Fhir: new () => {
    validate(
      resource: unknown,
      options: { errorOnUnexpected: boolean },
    ): { valid: boolean; messages: { severity: string; message: string }[] };
  };
};
const secondOpinion = new Fhir();

const AT = Date.parse('2026-03-02T10:00:00Z');
const FULL: AuditedFacts = {
  recordedMs: AT,
  interaction: 'create',
  outcome: 'success',
  caller: { client: 'ward-gateway-4', user: 'nurse-7' },
  requestId: 'req-1',
  resources: ['Observation/w1/_history/1', 'Observation/w1/_history/1', 'Device/s1', `identifier:${OURS.refusalIdentifier}|r-9`],
  persons: ['Patient/p1', 'Patient/p1', 'identifier:urn:harbourlight|47 11', 'unassigned:Location/bay-2', ''],
  query: 'Observation?patient=p1',
  details: [
    ['verdict', 'held'],
    ['rule', 'weight-jump'],
  ],
};

describe('an AuditEvent', () => {
  test.each([
    ...(Object.keys(INTERACTION_ACTION) as AuditedInteraction[]).map((interaction) => [interaction, { interaction }] as const),
    ...(Object.keys(OWN_EVENTS) as OwnEvent[]).map((event) => [event, { event }] as const),
    ['of a caller whom nobody knows', { caller: {} }],
    ['of the service itself', { caller: undefined }],
    ['of a sending', { outgoing: true, event: 'sent' }],
    [
      'with nothing but its kind',
      { resources: [], persons: [], details: [], query: undefined, requestId: undefined, outcomeText: 'HTTP 404' },
    ],
  ] as [string, Partial<Record<keyof AuditedFacts, unknown>>][])('is R4 by an independent validator: %s', (_name, changes) => {
    const { interaction: _interaction, ...rest } = FULL;
    const facts = Object.fromEntries(
      Object.entries({ ...(changes.event ? rest : FULL), ...changes }).filter(([, value]) => value !== undefined),
    ) as unknown as AuditedFacts;
    const event = { ...toAuditEvent(facts), id: '1' };
    const { valid, messages } = secondOpinion.validate(event, { errorOnUnexpected: true });
    expect([valid, messages.filter(({ severity }) => severity === 'error')]).toEqual([true, []]);
    // the constraint sev-1 of R4: never a name and a query together; and exactly one agent asked for it
    for (const { name, query } of event.entity ?? []) expect(name !== undefined && query !== undefined).toBe(false);
    expect(event.agent.filter(({ requestor }) => requestor)).toHaveLength(1);
  });

  test('is found wrong by that validator when it is wrong', () => {
    const { agent: _agent, ...broken } = toAuditEvent(FULL);
    expect(secondOpinion.validate({ ...broken, id: '1' }, { errorOnUnexpected: true }).valid).toBe(false);
  });

  test('says who, what and when', () => {
    const { type, subtype, action, recorded, outcome, agent } = toAuditEvent(FULL);
    expect([type.code, subtype?.map(({ code }) => code), action, recorded, outcome]).toEqual([
      'rest',
      ['create'],
      'C',
      '2026-03-02T10:00:00.000Z',
      '0',
    ]);
    expect(agent.map(({ type: role, who, requestor }) => [role?.coding?.[0]?.code, who?.identifier?.value, requestor])).toEqual([
      ['110153', 'ward-gateway-4', false],
      ['110152', 'steelyard', false],
      ['AUT', 'nurse-7', true],
    ]);
  });

  test('of a read lets the data go to the caller', () => {
    const { agent } = toAuditEvent({ ...FULL, interaction: 'read', caller: { client: 'ehr' } });
    expect(agent.map(({ type, who, requestor }) => [type?.coding?.[0]?.code, who?.identifier?.value, requestor])).toEqual([
      ['110152', 'ehr', true],
      ['110153', 'steelyard', false],
    ]);
  });

  test('names each resource and person once, and no place for a person', () => {
    const entity = toAuditEvent(FULL).entity ?? [];
    expect(entity.map(({ what, role }) => [what?.reference ?? what?.identifier?.value, role?.code])).toEqual([
      ['req-1', undefined],
      ['Observation/w1/_history/1', '4'],
      ['Device/s1', '4'],
      ['r-9', '4'],
      ['Patient/p1', '1'],
      ['47 11', '1'],
      [undefined, '24'],
      [undefined, undefined],
    ]);
    expect(entity.at(-1)?.detail).toEqual([
      { type: 'verdict', valueString: 'held' },
      { type: 'rule', valueString: 'weight-jump' },
    ]);
  });

  test('takes a Patient that was read for the person concerned', () => {
    const { entity } = toAuditEvent({ ...FULL, resources: ['Patient/p1/_history/3'], persons: [], query: 'x=1' });
    expect(entity?.map(({ what, role }) => [what?.reference, role?.code])).toContainEqual(['Patient/p1/_history/3', '1']);
  });

  test.each([
    ['Observation?patient=p1&date=ge2026', 'Observation?patient=p1&date=ge2026'],
    ['name=Bäcker 🙂', 'name=Bäcker 🙂'],
    ['', ''],
  ])('keeps the query %j in base64', (query, expected) => {
    const kept = toAuditEvent({ ...FULL, query }).entity?.find(({ role }) => role?.code === '24');
    expect(Buffer.from(kept?.query ?? '', 'base64').toString()).toBe(expected);
  });

  test('cuts a query that no URL could hold, and says so', () => {
    const kept = toAuditEvent({ ...FULL, query: 'x'.repeat(LONGEST_QUERY + 1) }).entity?.find(({ role }) => role?.code === '24');
    expect(Buffer.from(kept?.query ?? '', 'base64').toString()).toBe('x'.repeat(LONGEST_QUERY));
    expect(kept?.description).toBe('the first 8192 of 8193 characters');
  });
});

describe('what an AuditEvent is searched by', () => {
  test('is read off the event, without versions', () => {
    expect(auditFactsOf(toAuditEvent({ ...FULL, event: 'decide' }))).toEqual({
      recordedMs: AT,
      action: 'C',
      outcome: '0',
      interaction: 'create',
      event: 'decide',
      client: 'ward-gateway-4',
      user: 'nurse-7',
      references: [
        'Device/s1',
        'Observation/w1',
        'Patient/p1',
        `identifier:${OURS.refusalIdentifier}|r-9`,
        'identifier:urn:harbourlight|47 11',
      ],
    });
  });

  test('of a start is its kind alone', () => {
    expect(auditFactsOf(toAuditEvent({ recordedMs: AT, event: 'start', outcome: 'success' }))).toEqual({
      recordedMs: AT,
      action: 'E',
      outcome: '0',
      event: 'start',
      references: [],
    });
  });
});

test.each([
  [200, 'success'],
  [304, 'success'],
  [404, 'minor'],
  [422, 'minor'],
  [500, 'serious'],
] as const)('HTTP status %i is the outcome %s', (status, outcome) => expect(outcomeOfStatus(status)).toBe(outcome));
