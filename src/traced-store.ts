/** A store whose units of work appear in the trace of the call that they are done for. */
import type { Store } from './ports.ts';
import type { Tracer } from './tracer.ts';

/** The store itself when the call is not traced. */
export function tracedStore(store: Store, tracer: Tracer, parent: string | undefined): Store {
  if (parent === undefined) return store;
  const write: Store['write'] = (work) => tracer.within({ name: 'store.write', kind: 'internal', parent }, () => store.write(work));
  return new Proxy(store, {
    get(target, name) {
      if (name === 'write') return write;
      const member: unknown = Reflect.get(target, name, target);
      return typeof member === 'function' ? (member.bind(target) as unknown) : member;
    },
  });
}
