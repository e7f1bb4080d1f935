/** Two people on one scale within minutes, and the labels exchanged. */
import { describe, expect, it } from 'vitest';
import { weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const of = (person: string, value: string, effectiveDateTime: string, scale = 'platform') =>
  weight(value, 'kg', {
    effectiveDateTime,
    subject: { reference: `Patient/${person}` },
    device: { reference: `Device/${scale}` },
    identifier: [{ system: 'urn:reading', value: `${person}-${effectiveDateTime}` }],
  });

async function ward(): Promise<Desk> {
  const desk = await openDesk();
  await desk.post(of('ada', '62.4', '2026-03-01T08:00:00Z'));
  await desk.post(of('bo', '81.7', '2026-03-01T08:10:00Z'));
  return desk;
}

describe('a weight that fits somebody else', () => {
  it('is held under the name of what happened, with the other reading and no name of a person', async () => {
    const desk = await ward();
    const first = await desk.post(of('ada', '81.5', '2026-03-02T08:00:00Z'));
    const second = await desk.post(of('bo', '62.6', '2026-03-02T08:04:00Z'));
    expect(rulesIn(first)).toContain('weight-change-rate'); // nobody else was on the scale yet
    expect(second.status).toBe(202);
    expect(rulesIn(second)).toContain('mixup-other-person');
    expect(rulesIn(second)).not.toContain('weight-change-rate');
    const said = second.outcome.issue.find(({ details }) => details?.coding?.[0]?.code === 'mixup-other-person')?.diagnostics;
    expect(said).toBe(
      `62.6 kg does not fit this person, but lies 0.2 kg from the last weight of another person who was weighed on the same scale 4 minutes apart (Observation/${idOf(first)}). Scan the identifiers of both, and weigh both again.`,
    );
    expect(said).not.toMatch(/ada|62\.4/);
  });

  it.each([
    ['another scale', of('bo', '62.6', '2026-03-02T08:04:00Z', 'standing')],
    ['too long after', of('bo', '62.6', '2026-03-02T08:15:01Z')],
    ['more than three percent from the other one', of('bo', '64.3', '2026-03-02T08:04:00Z')],
  ])('is not taken for it: %s', async (_why, sent) => {
    const desk = await ward();
    await desk.post(of('ada', '62.5', '2026-03-02T08:00:00Z'));
    const rules = rulesIn(await desk.post(sent));
    expect(rules).toContain('weight-change-rate');
    expect(rules).not.toContain('mixup-other-person');
  });

  it('is taken for it up to the limits of time and difference', async () => {
    const desk = await ward();
    await desk.post(of('ada', '62.5', '2026-03-02T08:00:00Z'));
    expect(rulesIn(await desk.post(of('bo', '64.2', '2026-03-02T08:15:00Z')))).toContain('mixup-other-person');
  });

  it('stays named when the reading is judged again', async () => {
    const desk = await ward();
    await desk.post(of('ada', '62.5', '2026-03-02T08:00:00Z'));
    const held = await desk.post(of('bo', '62.6', '2026-03-02T08:04:00Z'));
    await desk.put('Patient', { resourceType: 'Patient', id: 'bo', birthDate: '1970-01-01' } as never);
    const again = (await desk.readings('Patient/bo')).find(({ id }) => id === idOf(held));
    expect(again).toMatchObject({ held: true, mistakenFor: [{ minutesApart: 4, differenceKg: '0.2' }] });
  });
});
