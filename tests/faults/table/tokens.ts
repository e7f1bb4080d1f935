/** The place where tokens for the EHR come from is away, out of order, or does not know us. */
import { existsSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { exportJWK, generateKeyPair } from 'jose';
import type { Fault, Surroundings } from '../fault.ts';
import { TokenStub } from '../token-stub.ts';

async function prepare(folder: string): Promise<Surroundings> {
  const tokens = await TokenStub.start();
  const { privateKey } = await generateKeyPair('ES384', { extractable: true });
  const keyFile = join(folder, 'key.jwk');
  writeFileSync(keyFile, JSON.stringify({ ...(await exportJWK(privateKey)), alg: 'ES384', kid: 'invented', use: 'sig' }), { mode: 0o600 });
  const environment = { STEELYARD_EHR_TOKEN_URL: tokens.url, STEELYARD_EHR_CLIENT_ID: 'invented', STEELYARD_EHR_KEY_FILE: keyFile };
  return { environment, tokens, end: () => tokens.down() };
}

/** Settings may be known before anything makes use of them. */
function asksForNoTokens(): string | undefined {
  const client = join(import.meta.dirname, '../../../src/forward/token-client.ts');
  return existsSync(client) ? undefined : 'this version asks for no tokens';
}

const tokenEndpoint: Fault = {
  name: 'token-endpoint',
  title: 'token endpoint down, out of order, refusing us, silent, or a page with 200',
  prepare,
  impossible: asksForNoTokens,
  async run(nemesis) {
    const { tokens } = nemesis.surroundings;
    if (tokens === undefined) throw new Error('there is no token endpoint');
    const load = nemesis.load();
    await load.until(10);
    nemesis.claim('it comes to have a token', await nemesis.until(() => tokens.given > 0, 20_000));
    const troubles = ['refused', 'error', 'invalid-client', 'page', ...nemesis.pick([], ['hang'] as const)] as const;
    for (const trouble of troubles) {
      if (trouble === 'refused') await tokens.down();
      else tokens.trouble = trouble;
      nemesis.stepClock(120_000); // the present token is over
      await load.until(10);
      await nemesis.wait(1_500);
      nemesis.claim(`nothing is parked while the endpoint is ${trouble}`, (await nemesis.metric('steelyard_outbox_parked')) === 0);
      nemesis.claim(`gateways are served while the endpoint is ${trouble}`, nemesis.cutOff === 0 && nemesis.storeRefusals === 0);
      const before = tokens.given;
      await tokens.up();
      nemesis.stepClock(600_000);
      nemesis.claim(`a token is had again after ${trouble}`, await nemesis.until(() => tokens.given > before, 20_000));
    }
    await load.stop();
  },
};

export const TOKENS: readonly Fault[] = [tokenEndpoint];
