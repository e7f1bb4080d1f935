/**
 * The id under which a call to the EHR can be found again: that of the call that brought the reading,
 * so that one id leads from the gateway's log through ours to the EHR's.
 *
 * FHIR R4, RESTful API, "Custom Headers": the client assigns `X-Request-Id`, and the server uses it
 * in its logs and audit trails or answers with its own (from memory). A retry bears the same id as
 * the first try; our log tells the tries apart.
 */
import type { OutboxItem } from '../ports.ts';

/** An item that comes from no call, or was filed before ids were kept, is named by its number and try. */
export function requestIdOf({ requestId, number, tries }: Pick<OutboxItem, 'requestId' | 'number' | 'tries'>): string {
  return requestId ?? `outbox-${number}-${tries}`;
}

/** An item as the log names it. */
export function named({ number, tries, requestId }: Pick<OutboxItem, 'number' | 'tries' | 'requestId'>) {
  return { item: number, tries, ...(requestId !== undefined && { requestId }) };
}
