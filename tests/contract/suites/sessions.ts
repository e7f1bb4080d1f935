/** Who is signed in to the pages: kept over a restart, bounded, and gone when it is over. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { toAuditEvent } from '../../../src/core/audit/event.ts';
import type { PageSession } from '../../../src/ports.ts';
import { MOST_SESSIONS_OF_ONE } from '../../../src/store/sessions.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';

const MINUTE = 60_000;
const IDLE = 15 * MINUTE;

export function sessionsSuite(factory: StoreFactory): void {
  describe('sessions', () => {
    let opened: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      opened = await openForTest(factory);
    });
    afterEach(() => opened.end());

    const session = (digest: string, changes: Partial<PageSession> = {}): PageSession => ({
      digest,
      issuer: 'https://id.harbourlight.example',
      subject: 'subject-7',
      roles: ['reviewer'],
      createdMs: opened.clock.ms,
      usedMs: opened.clock.ms,
      expiresMs: opened.clock.ms + 600 * MINUTE,
      ...changes,
    });
    const event = (name: 'sign-in' | 'sign-out') => toAuditEvent({ recordedMs: opened.clock.ms, event: name, outcome: 'success' });
    const open = (digest: string, changes: Partial<PageSession> = {}) =>
      opened.store.sessions.open(session(digest, changes), event('sign-in'));
    const events = async (): Promise<(string | undefined)[]> => {
      const { events: found } = await opened.store.audit.search({ count: 100 });
      return found.map(({ text }) => /"code":"(sign-[a-z-]+)"/.exec(text)?.[1]);
    };

    test('are there as they were opened, after a restart too, and their opening is an audit event', async () => {
      const whole = session('a', { fhirUser: 'Practitioner/nurse-7', name: 'Ödön Invented', roles: ['engineer', 'reviewer'] });
      await opened.store.sessions.open(whole, event('sign-in'));
      await open('b', { subject: 'subject-8' });
      const store = await opened.reopen();
      expect(await store.sessions.find('a')).toEqual(whole);
      expect(await store.sessions.find('b')).toEqual(session('b', { subject: 'subject-8' }));
      expect(await store.sessions.find('c')).toBeUndefined();
      expect(await events()).toEqual(['sign-in', 'sign-in']);
    });

    test('are used later, never earlier', async () => {
      await open('a');
      const { sessions } = opened.store;
      await sessions.use('a', opened.clock.ms + MINUTE);
      await sessions.use('a', opened.clock.ms);
      await sessions.use('nobody', opened.clock.ms);
      expect((await sessions.find('a'))?.usedMs).toBe(opened.clock.ms + MINUTE);
    });

    test('end once, and that is an audit event once', async () => {
      await open('a');
      await open('b');
      expect(await opened.store.sessions.end('a', event('sign-out'))).toBe(true);
      expect(await opened.store.sessions.end('a', event('sign-out'))).toBe(false);
      expect(await opened.store.sessions.find('a')).toBeUndefined();
      expect(await opened.store.sessions.find('b')).toBeDefined();
      expect((await events()).filter((code) => code === 'sign-out')).toHaveLength(1);
    });

    test('are removed once they were unused for too long, or are over, to the millisecond', async () => {
      const nowMs = opened.clock.ms;
      await open('unused', { usedMs: nowMs - IDLE });
      await open('just used', { usedMs: nowMs - IDLE + 1 });
      await open('over', { expiresMs: nowMs });
      await open('nearly over', { expiresMs: nowMs + 1 });
      expect(await opened.store.sessions.removeEnded({ nowMs, idleMs: IDLE })).toBe(2);
      const left = await Promise.all(['unused', 'just used', 'over', 'nearly over'].map((digest) => opened.store.sessions.find(digest)));
      expect(left.map((one) => one?.digest)).toEqual([undefined, 'just used', undefined, 'nearly over']);
    });

    test('of one person are only so many: the one that was not used for longest ends, and nobody else is touched', async () => {
      await open('other', { subject: 'subject-8', usedMs: opened.clock.ms - 10 * MINUTE });
      for (let at = 0; at < MOST_SESSIONS_OF_ONE; at += 1) await open(`s${at}`, { usedMs: opened.clock.ms + at });
      await opened.store.sessions.use('s0', opened.clock.ms + MINUTE);
      await open('newest', { usedMs: opened.clock.ms + 2 * MINUTE });
      const found = async (digest: string) => (await opened.store.sessions.find(digest)) !== undefined;
      expect(await Promise.all(['s0', 's1', 's2', 'newest', 'other'].map(found))).toEqual([true, false, true, true, true]);
    });
  });
}
