/** Stops a worker at a call to its outbox, so that a test decides what happens meanwhile. */
import type { OutboxStore } from '../../src/ports.ts';

/** The outbox, with `before` run ahead of a call of one of its functions. */
export function watched(outbox: OutboxStore, name: keyof OutboxStore, before: () => Promise<void>): OutboxStore {
  return new Proxy(outbox, {
    get: (target, called) => {
      const member: unknown = Reflect.get(target, called, target);
      if (typeof member !== 'function') return member;
      return async (...args: unknown[]) => {
        if (called === name) await before();
        return member.apply(target, args) as unknown;
      };
    },
  });
}

/** A gate that lets everybody through once it is opened, and tells when somebody waits at it. */
export function gate() {
  let open: () => void = () => undefined;
  let reached: () => void = () => undefined;
  const opened = new Promise<void>((resolve) => (open = resolve));
  const isReached = new Promise<void>((resolve) => (reached = resolve));
  return { open, isReached, pass: () => (reached(), opened) };
}
