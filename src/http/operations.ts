/**
 * `/health/live`, `/health/ready`, `/metrics`: for those who run the service.
 */
import { OPEN, TO_OPERATE } from './auth/needs.ts';
import type { Page } from './page.ts';
import type { Response, Serving } from './serving.ts';

const JSON_STATE = { media: ['application/json'] } as const;

export function operationsPages({ store, metrics, policy, isStopping }: Serving): Page[] {
  const sendState = (res: Response, status: number, state: string, detail: object = {}): void => {
    res
      .status(status)
      .set('Cache-Control', 'no-store')
      .type('application/json')
      .end(JSON.stringify({ status: state, ...detail }));
  };
  return [
    {
      path: '/health/live',
      need: OPEN,
      says: { summary: 'Does the process run', means: 'Asks nothing of anybody.', answers: { 200: { means: 'It does.', ...JSON_STATE } } },
      handle: (_req, res) => sendState(res, 200, 'live'),
    },
    {
      path: '/health/ready',
      need: OPEN,
      says: {
        summary: 'Does it take readings',
        means: 'Ready when the store can commit and nobody has told the service to stop.',
        answers: {
          200: { means: 'It does; with the policy in force.', ...JSON_STATE },
          503: { means: 'Not now: send readings elsewhere, or later.', ...JSON_STATE, headers: ['Retry-After'] },
        },
      },
      handle: async (_req, res) => {
        const isReady = !isStopping() && (await store.isReady());
        if (!isReady) res.set('Retry-After', '5');
        // a policy file that is broken now is no reason to take no readings: the earlier policy is in force
        const detail = { policy: { version: policy.current.version, lastReloadFailed: policy.lastReloadFailed } };
        sendState(res, isReady ? 200 : 503, isReady ? 'ready' : 'not-ready', detail);
      },
    },
    {
      path: '/metrics',
      need: TO_OPERATE,
      says: {
        summary: 'Metrics',
        means: 'In the text format of Prometheus.',
        answers: { 200: { means: 'All of them.', media: ['text/plain'] } },
      },
      handle: async (_req, res) => {
        const text = await metrics.text();
        res.status(200).set('Content-Type', metrics.contentType).end(text);
      },
    },
  ];
}
