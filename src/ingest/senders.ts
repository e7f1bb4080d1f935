/**
 * Which scales a gateway may speak for: those that its site gave it, by whatever name a reading
 * calls them. Looked at before anything is judged or stored, in dry runs too.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Call } from '../caller.ts';
import { identifierTokens } from '../core/facts.ts';
import type { Exact, JsonObject } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import { devicePointer, pointerOf } from '../core/pointers.ts';
import { ServiceError } from '../errors.ts';
import { hasRole } from '../permission.ts';
import type { StoredResource, StoreReader } from '../ports.ts';
import { deviceIdBehind } from './devices.ts';
import { treeOf } from './stored-tree.ts';

interface Sending {
  readonly call?: Call | undefined;
  readonly knownBases: readonly string[];
}

/** @throws ServiceError ERR_FORBIDDEN when the caller has no scale at all, so that nothing of what it sent need be looked at */
export function checkMaySend({ call }: Pick<Sending, 'call'>, expression = 'Observation.device'): void {
  if (call?.caller.devices?.size === 0) throw forbidden(expression, NO_GATEWAY);
}

/** @throws ServiceError ERR_FORBIDDEN when the reading names no scale, or one that the caller may not send for */
export async function checkScaleOf(reader: StoreReader, observation: ExactObservation, { call, knownBases }: Sending): Promise<void> {
  const devices = call?.caller.devices;
  if (devices === undefined) return;
  const id = await deviceIdBehind(reader, devicePointer(observation, knownBases), knownBases);
  if (id === undefined || !devices.has(id)) throw forbidden('Observation.device', NOT_ITS_SCALE);
}

/** @throws ServiceError ERR_FORBIDDEN when a stored reading came from a scale that the caller may not send for */
export async function checkScaleBefore(reader: StoreReader, stored: StoredResource, sending: Sending): Promise<void> {
  await checkScaleOf(reader, treeOf(stored) as unknown as ExactObservation, sending);
}

/**
 * A gateway may tell of its own scales and their meters. Who looks after the equipment may of all.
 *
 * @throws ServiceError ERR_FORBIDDEN
 */
export async function checkMayRegister(
  reader: StoreReader,
  type: 'Patient' | 'Device' | 'DeviceMetric',
  id: string,
  resource: JsonObject,
  sending: Sending,
): Promise<void> {
  const caller = sending.call?.caller;
  const devices = caller?.devices;
  if (caller === undefined || devices === undefined || type === 'Patient' || hasRole(caller, 'operate')) return;
  if (type === 'DeviceMetric') {
    const before = await reader.current('DeviceMetric', id);
    for (const metric of [resource, ...(before ? [treeOf(before)] : [])]) {
      const { source } = metric as unknown as Exact<fhir4.DeviceMetric>;
      const of = await deviceIdBehind(reader, pointerOf(source, sending.knownBases), sending.knownBases);
      if (of === undefined || !devices.has(of)) throw forbidden('DeviceMetric.source', NOT_ITS_SCALE);
    }
    return;
  }
  if (!devices.has(id)) throw forbidden('Device.id', NOT_ITS_SCALE);
  // with the identifier of another scale it would take that one's readings over
  for (const identifier of identifierTokens(resource)) {
    const others = (await reader.idsByIdentifier('Device', identifier, 2)).filter((other) => other !== id);
    if (others.length > 0)
      throw forbidden('Device.identifier', 'Another scale has this identifier. Send the one that stands on this scale.');
  }
}

const NO_GATEWAY = 'This client is no gateway with scales of its own. Have it entered in the gateways file.';
const NOT_ITS_SCALE =
  'This gateway may send for its own scales only, named by id or identifier. Have the scale entered for it in the gateways file.';

function forbidden(expression: string, message: string): ServiceError {
  return new ServiceError('ERR_FORBIDDEN', message, { expression });
}
