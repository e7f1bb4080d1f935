/**
 * A correction usually begins with a GET, so what this service added comes back as if the sender
 * had said it. What was added and not touched since is taken away again, so that the reading is
 * enriched anew from what is known now.
 */
import { isEqualJson, type JsonValue } from '../json.ts';
import type { ExactObservation } from '../observation.ts';
import { componentOf, qualifierExtensionOf } from '../observation.ts';
import { QUALIFIER } from '../terminology.ts';

const QUALIFIERS = Object.values(QUALIFIER);

/** The element of the vital-signs code among the additions of a Provenance. */
export const CODE_ELEMENT = 'Observation.code.coding';

/** The element of `Observation.method` among the additions of a Provenance. */
export const METHOD_ELEMENT = 'Observation.method';

/**
 * @param sent the correction
 * @param before the version that it corrects
 * @param added what the Provenance of that version says was added: an element or a qualifier's display
 */
export function withoutAdditions(sent: ExactObservation, before: ExactObservation, added: readonly string[]): ExactObservation {
  const untouched = QUALIFIERS.filter(({ display }) => added.includes(display));
  const components = new Set<unknown>();
  const extensions = new Set<unknown>();
  for (const code of untouched) {
    const [component, componentBefore] = [componentOf(sent, code), componentOf(before, code)];
    if (component && isSame(component, componentBefore)) components.add(component);
    const [extension, extensionBefore] = [qualifierExtensionOf(sent, code), qualifierExtensionOf(before, code)];
    if (extension && isSame(extension, extensionBefore)) extensions.add(extension);
  }
  const { component, extension, method, ...rest } = sent;
  const keptComponents = component?.filter((one) => !components.has(one)) ?? [];
  const keptExtensions = extension?.filter((one) => !extensions.has(one)) ?? [];
  const dropsMethod = added.includes(METHOD_ELEMENT) && isSame(method, before.method);
  return {
    ...rest,
    ...(keptComponents.length > 0 && { component: keptComponents }),
    ...(keptExtensions.length > 0 && { extension: keptExtensions }),
    ...(method && !dropsMethod && { method }),
  };
}

function isSame(a: unknown, b: unknown): boolean {
  return isEqualJson(a as JsonValue | undefined, b as JsonValue | undefined);
}
