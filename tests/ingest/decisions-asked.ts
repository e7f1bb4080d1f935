/** Decisions and claims as they are asked for, and what a Provenance says of them. */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { SYSTEM } from '../../src/core/terminology.ts';
import type { HeldAnswer } from '../../src/ingest.ts';
import { arrived, parsed } from '../arrived.ts';
import type { Desk } from './desk.ts';

export const NURSE = { reference: 'Practitioner/nurse-invented' };
export const REASON = 'Weighed with her coat on, she says.';

export interface Asked {
  readonly decision?: string;
  readonly reason?: string;
  readonly who?: object | string;
  readonly value?: object;
  readonly subject?: object;
}

export function asParameters({ decision, reason, who, value, subject }: Asked): object {
  const named = (name: string, member: string, content: unknown) => (content === undefined ? [] : [{ name, [member]: content }]);
  return {
    resourceType: 'Parameters',
    parameter: [
      ...named('decision', 'valueCode', decision),
      ...named('reason', 'valueString', reason),
      ...named('who', typeof who === 'string' ? 'valueString' : 'valueReference', who),
      ...named('value', 'valueQuantity', value),
      ...named('subject', 'valueReference', subject),
    ],
  };
}

export const kilograms = (digits: string): object => ({ value: exactNumber(digits), unit: 'kg', system: SYSTEM.ucum, code: 'kg' });

export function decide(desk: Desk, id: string, asked: Asked, ifMatch?: number): Promise<HeldAnswer> {
  const { tree, text } = arrived(asParameters({ reason: REASON, who: NURSE, ...asked }));
  return desk.intake.decide(id, tree, text, ifMatch);
}

export function undo(desk: Desk, id: string, asked: Pick<Asked, 'reason' | 'who'> = {}, ifMatch?: number): Promise<HeldAnswer> {
  const { tree, text } = arrived(asParameters({ who: NURSE, ...asked }));
  return desk.intake.undo(id, tree, text, ifMatch);
}

export function claim(desk: Desk, id: string, subject: object = { reference: 'Patient/ada' }, ifMatch?: number): Promise<HeldAnswer> {
  const { tree, text } = arrived(asParameters({ who: NURSE, subject }));
  return desk.intake.claim(id, tree, text, ifMatch);
}

/** Who, when, why and what, as the Provenance of one version tells it. */
export async function toldBy(desk: Desk, id: string, version: number): Promise<object> {
  const stored = await desk.store.read.current('Provenance', `prov-${id}-${version}`);
  if (stored === undefined) throw new Error(`version ${version} of ${id} has no Provenance`);
  const { agent, reason, recorded, extension } = parsed(stored.text) as unknown as {
    readonly agent: readonly { readonly type: { readonly coding: readonly { readonly code: string }[] }; readonly who: object }[];
    readonly reason?: object;
    readonly recorded: string;
    readonly extension: readonly { readonly extension?: readonly JsonObject[] }[];
  };
  const [decided] = extension;
  return {
    agents: agent.map(({ type, who }) => [type.coding[0]?.code, who]),
    reason,
    recorded,
    verdict: decided?.extension?.find(({ url }) => url === 'verdict')?.['valueCode'],
    decision: decided?.extension?.find(({ url }) => url === 'decision')?.['valueCode'],
  };
}

/** Everything that waits for the EHR, as `Type/id/version`. */
export async function queued(desk: Desk): Promise<string[]> {
  const items = await desk.outbox();
  return items.flatMap(({ resources }) => resources.map(({ type, id, version }) => `${type}/${id}/${version}`));
}
