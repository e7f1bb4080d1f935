/**
 * What the audit says of the text of a stored version: SHA-256 (FIPS 180-4) over a salt of that row,
 * a line feed and the exact text. Without the salt a hash would tell whoever may read the audit which
 * of the few weights that a person can have it was.
 */
import { createHash, randomBytes } from 'node:crypto';

const SALT_BYTES = 16;

export function newSalt(): string {
  return randomBytes(SALT_BYTES).toString('hex');
}

/** In hex. A row from before there were salts has none. */
export function digestOf(text: string, salt: string | null): string {
  return createHash('sha256')
    .update(salt ?? '')
    .update('\n')
    .update(text)
    .digest('hex');
}
