/** The tables that CDC and WHO publish, where they lie beside the project. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { parseTables } from '../../src/core/growth/parse-tables.ts';
import type { GrowthTables } from '../../src/core/growth/tables.ts';
import { sharedData } from '../shared-data.ts';

export const CDC_FOLDER = sharedData('clinical/cdc2000');
export const WHO_FOLDER = sharedData('clinical/who');

export const NO_TABLES: GrowthTables = { version: 'none', tables: {} };

/** All of them together; undefined when they are not there. Throws when one cannot be used. */
export const PUBLISHED_TABLES = CDC_FOLDER === undefined || WHO_FOLDER === undefined ? undefined : readTables([CDC_FOLDER, WHO_FOLDER]);

function readTables(folders: readonly string[]): GrowthTables {
  const names = folders.flatMap((folder) => readdirSync(folder).map((name) => join(folder, name)));
  const { tables, problems } = parseTables(names.map((name) => ({ name, text: readFileSync(name, 'utf8') })));
  if (problems.length > 0) throw new Error(JSON.stringify(problems[0]));
  return { version: 'published', tables };
}
