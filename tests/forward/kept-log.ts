/** A log for tests that keeps what was said. */
import type { ForwardLog, ForwardLogFields } from '../../src/forward/events.ts';

export type Severity = 'debug' | 'info' | 'warn' | 'error';

export interface KeptLog extends ForwardLog {
  /** Messages of one severity, oldest first. */
  lines(severity: Severity): readonly string[];
  /** All that was said, fields and all. */
  text(): string;
}

export function keptLog(): KeptLog {
  const kept: { readonly severity: Severity; readonly fields: ForwardLogFields; readonly message: string }[] = [];
  const at = (severity: Severity) => (fields: ForwardLogFields, message: string) => void kept.push({ severity, fields, message });
  return {
    debug: at('debug'),
    info: at('info'),
    warn: at('warn'),
    error: at('error'),
    lines: (severity) => kept.filter((line) => line.severity === severity).map(({ message }) => message),
    text: () => JSON.stringify(kept),
  };
}
