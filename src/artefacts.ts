/**
 * The conformance resources in `profiles/`, read once at start: StructureDefinitions, ValueSets,
 * CodeSystems, ConceptMap, OperationDefinition and the software's CapabilityStatement. They are
 * made from the code's own tables (`scripts/generate-artefacts.ts`).
 */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { installedFolder } from './installation.ts';

const TYPES = ['StructureDefinition', 'ValueSet', 'CodeSystem', 'ConceptMap', 'OperationDefinition', 'CapabilityStatement'] as const;

export interface LoadedArtefact {
  readonly type: (typeof TYPES)[number];
  readonly id: string;
  /** Canonical URL. */
  readonly url: string;
  readonly name: string;
  /** The resource as JSON text, ready to be sent. */
  readonly text: string;
}

/**
 * All artefacts, by type and id.
 *
 * @throws Error when the folder is missing or a file is not an artefact of ours: a broken installation
 */
export function loadArtefacts(folder: string = profilesFolder()): LoadedArtefact[] {
  return readdirSync(folder)
    .filter((file) => file.endsWith('.json'))
    .sort()
    .map((file) => toArtefact(file, readFileSync(join(folder, file), 'utf8')));
}

function toArtefact(file: string, text: string): LoadedArtefact {
  const { resourceType, id, url, name } = JSON.parse(text) as Partial<Record<string, string>>;
  const type = TYPES.find((known) => known === resourceType);
  if (type === undefined || id === undefined || url === undefined || name === undefined || file !== `${type}-${id}.json`) {
    throw new Error(`profiles/${file} is not a conformance resource of this service`);
  }
  return { type, id, url, name, text: text.trimEnd() };
}

function profilesFolder(): string {
  const folder = installedFolder('profiles');
  if (folder === undefined) throw new Error('the folder profiles/ is missing from this installation');
  return folder;
}
