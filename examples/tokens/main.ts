/**
 * Runs the stand-in authorization server from a terminal: `tsx examples/tokens/main.ts FOLDER`.
 * Writes keys, tokens and invented secrets there, renews the tokens every hour, and ends on SIGTERM.
 */
import { TryOutIssuer } from './issuer.ts';

const RENEW_EVERY_MS = 3_600_000;

const folder = process.argv[2];
if (folder === undefined) {
  process.stderr.write('name the folder to write into\n');
  process.exit(2);
}

const issuer = await TryOutIssuer.open(folder, { nowMs: () => Date.now() });
await issuer.writeSecrets(process.env['TRY_OUT_DATABASE'] ?? '127.0.0.1:5432');
await issuer.renew();
process.stdout.write(`${JSON.stringify({ msg: 'tokens written' })}\n`);

const renewing = setInterval(() => {
  issuer.renew().catch(() => {
    process.stderr.write('the tokens could not be renewed\n');
    process.exit(1);
  });
}, RENEW_EVERY_MS);
for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => clearInterval(renewing));
