/**
 * Why a token is not taken: each reason with its sentence. Of keys and signatures nothing is told
 * but that they do not fit, and nothing of the token is ever repeated.
 */
import { ServiceError } from '../../errors.ts';

export const REASONS = {
  form: 'The token is no signed JWT that can be read.',
  type: 'This is no access token: its type or its claims are those of another kind of token.',
  algorithm: 'The token is signed with an algorithm that is not taken here.',
  critical: 'The token demands extensions (crit) that are not known here.',
  key: 'The token is signed with a key that is not known here.',
  signature: 'The signature of the token does not fit.',
  issuer: 'The token comes from another issuer than is trusted here.',
  audience: 'The token was made for another service.',
  expired: 'The token has expired.',
  'not-yet': 'The token is not valid yet.',
  'too-long': 'The token is valid for longer than is taken here.',
  claims: 'The token lacks a claim that is needed, or has one of a wrong form.',
} as const;

export type Reason = keyof typeof REASONS;

export class RefusedToken extends ServiceError {
  readonly reason: Reason;

  constructor(reason: Reason, cause?: unknown) {
    super('ERR_UNAUTHENTICATED', `${REASONS[reason]} Get a new one from the authorization server.`, {
      challenge: 'error="invalid_token"',
      ...(cause !== undefined && { cause }),
    });
    this.reason = reason;
  }
}
