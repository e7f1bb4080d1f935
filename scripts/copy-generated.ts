/** After `tsc`: puts the compiled R4 structure check, which tsc does not emit, beside the built code. */
import { cpSync } from 'node:fs';
import { join } from 'node:path';

const folder = 'src/core/conformance/generated';
const root = join(import.meta.dirname, '..');
cpSync(join(root, folder), join(root, 'dist', folder), { recursive: true });
