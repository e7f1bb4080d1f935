import { expect, test, vi } from 'vitest';
import { startRunning } from './running.ts';

test('questions to the EHR about people are counted by what became of them, and name nobody', { timeout: 60_000 }, async () => {
  const service = await startRunning({ settings: { STEELYARD_EHR_DEMOGRAPHICS: 'on' } });
  await fetch(`${service.receiver.url}/Patient/ada-invented`, {
    method: 'PUT',
    headers: { 'Content-Type': 'application/fhir+json' },
    body: JSON.stringify({ resourceType: 'Patient', id: 'ada-invented', birthDate: '1980-05-17' }),
  });
  const told = async (): Promise<string[]> =>
    (await service.get('/metrics')).text.split('\n').filter((line) => line.startsWith('steelyard_demographics_questions_total{'));
  expect(await told()).toHaveLength(7);
  expect((await told()).every((line) => line.endsWith(' 0'))).toBe(true);
  await service.weigh('70.0', { person: 'ada-invented' });
  await service.weigh('71.0', { person: 'ben-invented' });
  await vi.waitFor(
    async () =>
      expect((await told()).filter((line) => !line.endsWith(' 0'))).toEqual([
        'steelyard_demographics_questions_total{result="registered"} 1',
        'steelyard_demographics_questions_total{result="not-found"} 1',
      ]),
    { timeout: 20_000 },
  );
  expect((await told()).join()).not.toContain('invented');
});
