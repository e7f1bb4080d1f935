/** The message of `docs/hl7-v2.md` is answered as that page says, and what the page lists is what there is. */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { MOST_READINGS } from '../../src/intake/message-answer.ts';
import { MLLP_LIMITS } from '../../src/intake/mllp-server.ts';
import { MDC_UNITS, NOT_A_VALUE, STATUSES } from '../../src/intake/v2-codes.ts';
import { openClient } from './mllp-client.ts';
import { startReceiving } from './receiving.ts';

const PAGE = readFileSync(join(import.meta.dirname, '../../docs/hl7-v2.md'), 'utf8');
const [MESSAGE = '', ANSWER = ''] = [...PAGE.matchAll(/```hl7\n([\s\S]*?)```/g)].map(([, text = '']) => text);

test('the message of the page is answered as the page says', async () => {
  const receiving = await startReceiving();
  try {
    const client = await openClient(receiving.server.port);
    const answer = await client.ask(MESSAGE.replaceAll('\n', '\r'));
    const expected = ANSWER.split('\n').map((line) =>
      line
        .split('${id}')
        .map((part) => part.replace(/[\\^$.*+?()[\]{}|]/g, '\\$&'))
        .join('.+'),
    );
    const lines = answer.split('\r');
    expect(lines).toHaveLength(expected.length);
    lines.forEach((line, index) => expect(line).toMatch(new RegExp(`^${expected[index]}$`)));
  } finally {
    await receiving.close();
  }
});

test('the page lists every unit, status and flag, and every limit as it is', () => {
  for (const name of [...Object.keys(MDC_UNITS), ...Object.keys(NOT_A_VALUE), ...Object.values(STATUSES).map((row) => row?.status ?? '')])
    expect(PAGE).toContain(name);
  expect(PAGE).toContain(`${MLLP_LIMITS.mostBytes / 1024} kB and ${MOST_READINGS} readings`);
  expect(PAGE).toContain(`${MLLP_LIMITS.mostConnections} connections`);
  expect(PAGE).toContain(`within ${MLLP_LIMITS.longestMessageMs / 1000} s`);
});
