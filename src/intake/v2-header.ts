/** What the header of a message must say for the message to be looked at. */
import { CONDITION, type Condition } from './v2-codes.ts';
import { fault, type V2Fault } from './v2-fault.ts';
import type { Segment } from './v2-message.ts';

/** Versions with ORU^R01 in the delimited form as it is read here. */
const VERSIONS: ReadonlySet<string> = new Set([
  '2.3',
  '2.3.1',
  '2.4',
  '2.5',
  '2.5.1',
  '2.6',
  '2.7',
  '2.7.1',
  '2.8',
  '2.8.1',
  '2.8.2',
  '2.9',
]);

/** The longest that any version allows (2.7 and later; before it was 20). */
const LONGEST_CONTROL_ID = 199;

/** Undefined when there is nothing against it. */
export function faultInHeader(header: Segment): V2Fault | undefined {
  const wrong = (condition: Condition, field: number, problem: string): V2Fault =>
    fault(condition === CONDITION.required ? 'ERR_BAD_VALUE' : 'ERR_NOT_SUPPORTED', condition, problem, {
      segment: 'MSH',
      sequence: 1,
      field,
    });
  const controlId = header.text(10);
  if (controlId === '')
    return wrong(CONDITION.required, 10, 'MSH-10 is empty, so that no answer could name the message. Send a control id of its own.');
  if (controlId.length > LONGEST_CONTROL_ID)
    return wrong(CONDITION.tooLong, 10, `MSH-10 has more than ${LONGEST_CONTROL_ID} characters. Send a shorter control id.`);
  if (header.text(9, 1) !== 'ORU')
    return wrong(CONDITION.messageType, 9, 'Only ORU^R01 is taken in here. Send other messages to the system that they are for.');
  if (header.text(9, 2) !== 'R01') return wrong(CONDITION.event, 9, 'Of ORU only R01 is taken in here. Send the readings as ORU^R01.');
  if (!VERSIONS.has(header.text(12)))
    return wrong(CONDITION.version, 12, 'MSH-12 is no version that is read here. Send one from 2.3 to 2.9.');
  // what is only a test or for training must never come into a chart
  if (header.text(11) !== 'P')
    return wrong(CONDITION.processingId, 11, 'MSH-11 does not say that this is production data. Send P, or send it to a system for tests.');
  return undefined;
}
