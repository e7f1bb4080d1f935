/** Collects from a service as a monitor does and says which alerts its figures would raise. */
import { expect } from 'vitest';
import { send } from '../http/edge.ts';
import { ALERTS, ruleOf } from './alert-rules.ts';
import { firing, parseMetrics, type Sample } from './monitor.ts';
import { until } from './running.ts';

export interface Watcher {
  /** Expects that an alert does not fire, for whatever was collected. */
  isQuiet(alert: string): Promise<void>;
  /** Expects that it fires, with these labels at least. */
  fires(alert: string, labels?: Readonly<Record<string, string>>): Promise<void>;
  /** Resolves when it fires, or fires no more. */
  until(alert: string, state: 'fires' | 'is quiet'): Promise<void>;
}

/**
 * @param service where to collect, and the clock by which the monitor knows the time
 */
export function watch({ port, clock }: { readonly port: number; readonly clock: { nowMs(): number } }): Watcher {
  let last: readonly Sample[] = [];
  const collect = async (): Promise<readonly Sample[]> => {
    const up = (value: number): Sample => ({ name: 'up', labels: { job: 'steelyard' }, value });
    try {
      const { status, text } = await send(port, 'GET', '/metrics');
      return status === 200 ? [up(1), ...parseMetrics(text)] : [up(0)];
    } catch {
      return [up(0)];
    }
  };
  const evaluate = async (alert: string): Promise<Readonly<Record<string, string>>[]> => {
    const samples = await collect();
    const result = firing(ruleOf(alert).expr, { nowSeconds: clock.nowMs() / 1000, samples, before: last });
    last = samples;
    return result;
  };
  return {
    async isQuiet(alert) {
      expect(await evaluate(alert), alert).toEqual([]);
    },
    async fires(alert, labels = {}) {
      expect(await evaluate(alert), alert).toEqual([expect.objectContaining(labels)]);
    },
    until: (alert, state) => until(async () => (await evaluate(alert)).length > 0 === (state === 'fires')),
  };
}

export const ALERT_NAMES = ALERTS.map(({ alert }) => alert);
