import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { policyWith, startService, type Service } from '../service.ts';
import { steelyard } from './command.ts';

const services: Service[] = [];
const startOne = async (overrides: Readonly<Record<string, unknown>> = {}): Promise<Service> => {
  const service = await startService({ now: () => Date.now(), policy: policyWith(overrides) });
  services.push(service);
  return service;
};
afterAll(async () => {
  for (const service of services) await service.close();
});

describe('steelyard simulate', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startOne();
  });

  test('sends the day, counts the answers and exits 0, also for another day', async () => {
    for (const seed of ['1', '2']) {
      const { exitCode, stdout, stderr } = await steelyard(['simulate', '--url', `${service.base}/`, '--seed', seed, '--pace', '0']);
      expect(stderr).toBe('');
      expect(stdout).toContain('45 of 45 readings answered');
      expect(stdout).toContain('34 accepted, 1 corrected, 4 held, 5 refused, 1 known already (sent twice).');
      expect(stdout).not.toContain('\u001B');
      expect(exitCode).toBe(0);
    }
    expect(await service.store.read.countObservations({ includeHeld: false, codes: [{ value: '39156-5' }] })).toBe(30);
  });

  test('sends as many people as it is told to', async () => {
    const { exitCode, stdout } = await steelyard(['simulate', '--url', service.base, '--people', '3', '--seed', '9', '--pace', '0']);
    expect(stdout).toContain('Harbourlight Ward: 3 invented people, 7 readings, seed 9.');
    expect(exitCode).toBe(0);
  });

  test('says what came out otherwise and exits 1, as with a policy of the site', async () => {
    const { base } = await startOne({ metricOnly: true });
    const { exitCode, stdout } = await steelyard(['simulate', '--url', base, '--people', '2', '--pace', '0']);
    expect(stdout).toMatch(/Bed 2, [\d.]+ lb \(standing scale in pounds\): expected accepted, got refused by metric-only/);
    expect(exitCode).toBe(1);
  });

  test('exits 2 when nobody answers, or the address is none', async () => {
    const gone = await startService({ now: () => Date.now() });
    await gone.close();
    const { exitCode, stderr } = await steelyard(['simulate', '--url', gone.base, '--pace', '0']);
    expect(stderr).toContain('Is the service running there?');
    expect(exitCode).toBe(2);
    const elsewhere = await steelyard(['simulate', '--url', service.base.replace('/fhir', ''), '--pace', '0']);
    expect(elsewhere.stderr).toContain('has its own below /fhir');
    expect(elsewhere.exitCode).toBe(2);
    for (const bad of [
      ['--url', 'ftp://127.0.0.1/'],
      ['--people', '0'],
      ['--seed', 'x'],
    ]) {
      expect(await steelyard(['simulate', ...bad])).toMatchObject({ exitCode: 2 });
    }
  });
});
