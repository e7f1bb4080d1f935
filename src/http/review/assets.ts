/** The style, the program and the icon of the pages: a fixed list, read once, and nothing else of the disk. */
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { installedFolder } from '../../installation.ts';
import { ServiceError } from '../../errors.ts';
import type { Handler } from '../serving.ts';

const FILES = {
  'review.css': 'text/css; charset=utf-8',
  'review.js': 'text/javascript; charset=utf-8',
  'icon.svg': 'image/svg+xml',
} as const;

/** @throws Error when the folder `pages/` is missing: a broken installation */
export function assets(folder: string = pagesFolder()): Handler {
  const read = Object.entries(FILES).map(([name, type]) => {
    const bytes = readFileSync(join(folder, name));
    return [name, { bytes, type, tag: `"${createHash('sha256').update(bytes).digest('base64url').slice(0, 22)}"` }] as const;
  });
  const byName = new Map<string, (typeof read)[number][1]>(read);
  return (req, res) => {
    const file = byName.get(String(req.params['file']));
    if (file === undefined) throw new ServiceError('ERR_NOT_FOUND', 'There is no such file.');
    // asked for each time, and sent only when it is another one: a new release is seen at once
    res.set({ ETag: file.tag, 'Cache-Control': 'no-cache', 'Content-Type': file.type });
    if (req.get('if-none-match') === file.tag) res.status(304).end();
    else res.status(200).end(file.bytes);
  };
}

function pagesFolder(): string {
  const folder = installedFolder('pages');
  if (folder === undefined) throw new Error('the folder pages/ is missing from this installation');
  return folder;
}
