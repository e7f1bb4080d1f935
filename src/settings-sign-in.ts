/** What the settings of signing in to the pages make together: whether they fit each other, and what they say. */
import { isLoopback, isSafe, type Settings } from './settings.ts';

/** How people sign in to the pages: OpenID Connect, authorization code with PKCE. */
export interface SignInSettings {
  /** Exactly as its tokens say it. */
  readonly issuer: string;
  readonly clientId: string;
  /** A public client when absent. */
  readonly clientSecretFile?: string;
  readonly scope: string;
  readonly rolesClaim: string;
  /** Values of that claim. */
  readonly reviewer: string;
  readonly engineer: string;
}

/** Those without a default, the issuer first. */
const NAMES = ['STEELYARD_SIGNIN_ISSUER', 'STEELYARD_SIGNIN_CLIENT_ID', 'STEELYARD_SIGNIN_CLIENT_SECRET_FILE'] as const;

export function contradictionsOfSignIn(settings: Settings): string[] {
  const given = NAMES.filter((name) => settings[name] !== undefined);
  if (settings.STEELYARD_AUTH === 'none') return given.map((name) => `${name} means nothing while STEELYARD_AUTH=none.`);
  if (given.length === 0) return [];
  const [issuer, client] = NAMES;
  const missing = [issuer, client].filter((name) => settings[name] === undefined);
  return [...missing.map((name) => `${name} must be set too: ${issuer} and ${client} go together.`), ...problemsOfAddress(settings)];
}

/** People are sent back to the pages by address, and their session goes there with each request. */
function problemsOfAddress({ STEELYARD_BASE_URL: baseUrl, STEELYARD_HOST: host }: Settings): string[] {
  if (baseUrl === undefined)
    return isLoopback(host)
      ? []
      : ['STEELYARD_BASE_URL must be set while STEELYARD_SIGNIN_ISSUER is: people are sent back to the pages of that address.'];
  if (isSafe(baseUrl)) return [];
  return [
    'STEELYARD_BASE_URL must be an https URL while STEELYARD_SIGNIN_ISSUER is set, since sessions of people go there (http is taken on loopback only).',
  ];
}

/** Undefined when nobody can sign in. */
export function signInOf(settings: Settings): SignInSettings | undefined {
  const { STEELYARD_SIGNIN_ISSUER: issuer, STEELYARD_SIGNIN_CLIENT_ID: clientId } = settings;
  if (issuer === undefined || clientId === undefined) return undefined;
  const clientSecretFile = settings.STEELYARD_SIGNIN_CLIENT_SECRET_FILE;
  return {
    issuer,
    clientId,
    ...(clientSecretFile !== undefined && { clientSecretFile }),
    scope: settings.STEELYARD_SIGNIN_SCOPE,
    rolesClaim: settings.STEELYARD_SIGNIN_ROLES_CLAIM,
    reviewer: settings.STEELYARD_SIGNIN_REVIEWER,
    engineer: settings.STEELYARD_SIGNIN_ENGINEER,
  };
}
