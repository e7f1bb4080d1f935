/**
 * The policy of a running service: read when it starts, read again when it is told to (SIGHUP).
 *
 * Never because the file has changed: an editor writes a file in pieces, and a threshold must not
 * move on a ward because somebody saved half a thought. Whoever means it says so.
 */
import type { Policy } from './core/policy.ts';
import { loadPolicy, readPolicyFile, type FileProblem } from './policy-file.ts';

export interface PolicyInForce {
  /** To be asked once for each piece of work, which then goes by that one policy from judgement to answer. */
  readonly current: Policy;
  /** True while the file on disk was last found broken, and the policy is therefore an earlier one. */
  readonly lastReloadFailed: boolean;
}

/** What came of reading the file again; versions are those of policies. */
export type Reload =
  | { readonly kind: 'loaded'; readonly before: string; readonly now: string }
  | { readonly kind: 'kept'; readonly now: string; readonly problems: readonly FileProblem[] }
  | { readonly kind: 'no-file'; readonly now: string };

export class PolicyHolder implements PolicyInForce {
  readonly #file: string | undefined;
  readonly #movableRules: ReadonlySet<string>;
  #current: Policy;
  #lastReloadFailed = false;

  /**
   * @param file the site's policy file; the built-in policy when there is none
   * @param movableRules ids of the rules whose outcome a policy may choose
   * @throws ConfigError as `loadPolicy` does
   */
  constructor(file: string | undefined, movableRules: ReadonlySet<string>) {
    this.#file = file;
    this.#movableRules = movableRules;
    this.#current = loadPolicy(file, movableRules);
  }

  get current(): Policy {
    return this.#current;
  }

  get lastReloadFailed(): boolean {
    return this.#lastReloadFailed;
  }

  /** Reads the file again. A valid one is in force for all work that begins after this; a broken one changes nothing. */
  reload(): Reload {
    const before = this.#current.version;
    if (this.#file === undefined) return { kind: 'no-file', now: before };
    const read = readPolicyFile(this.#file, this.#movableRules);
    this.#lastReloadFailed = !read.ok;
    if (!read.ok) return { kind: 'kept', now: before, problems: read.problems };
    this.#current = read.policy;
    return { kind: 'loaded', before, now: read.policy.version };
  }
}
