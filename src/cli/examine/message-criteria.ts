/** What is judged of the calls that a gateway makes: form, identity, time, unit, digits. */
import { parseDateTime } from '../../core/fhir-time.ts';
import { isJsonObject, stringifyExact, type JsonObject } from '../../core/json.ts';
import { UNITS } from '../../core/quantity.ts';
import { SYSTEM } from '../../core/terminology.ts';
import { every, handedOver, NOT_SEEN, readings, right, wrong, type Criterion, type Finding, type Heard } from './criterion.ts';
import { contentOf, identifiersOf, observationsIn } from './exchange.ts';

const HTTP = 'HL7 FHIR R4, RESTful API';
const CONTRACT = 'docs/verdicts.md';
const PRACTICE = 'common practice, no source';
/** Beyond it a clock is worth a look: the alert on a gateway's clock has the same limit. */
const CLOCK_TOLERANCE_MS = 60_000;

const quantityOf = ({ valueQuantity }: JsonObject): JsonObject => (isJsonObject(valueQuantity) ? valueQuantity : {});
const hasValue = (reading: JsonObject): boolean => isJsonObject(reading['valueQuantity']);
const textOf = (value: unknown): string => (typeof value === 'string' ? value : '');

export const MESSAGE_CRITERIA: readonly Criterion[] = [
  {
    id: 'media-type',
    level: 'must',
    asks: 'Bodies are sent as application/fhir+json or application/json, in UTF-8, and are JSON',
    source: `${HTTP}, Content Types and encodings; RFC 8259 section 8.1`,
    remedy: 'Send Content-Type: application/fhir+json, and the body in UTF-8.',
    judge: (heard) =>
      every(
        handedOver(heard),
        (call) => /^application\/(fhir\+)?json\s*(;|$)/i.test(call.headers['content-type'] ?? '') && contentOf(call) !== undefined,
        'bodies are JSON under a media type that says so',
      ),
  },
  {
    id: 'identifier',
    level: 'must',
    asks: 'Each reading has an identifier of its own, with system and value',
    source: `${CONTRACT}; HL7 Personal Health Device Implementation Guide, Conditional-create Identifier`,
    remedy: 'Make the identifier where the reading is made, keep it with the reading, and send it each time.',
    judge: (heard) => every(readings(heard), (reading) => identifiersOf(reading).length > 0, 'readings have an identifier'),
  },
  {
    id: 'identifier-unique',
    level: 'must',
    asks: 'No identifier stands for two readings',
    source: CONTRACT,
    remedy: 'Never use a number again, after a restart either.',
    judge: uniqueIdentifiers,
  },
  {
    id: 'device',
    level: 'must',
    asks: 'Each reading names the scale',
    source: 'HL7 FHIR R4, Observation.device; recall of a scale needs it',
    remedy: 'Send device with a reference to the registered Device, or its identifier.',
    judge: (heard) => every(readings(heard), (reading) => isJsonObject(reading['device']), 'readings name a device'),
  },
  {
    id: 'time',
    level: 'must',
    asks: 'Each reading says when it was measured, to the second and with an offset from UTC',
    source: 'HL7 FHIR R4, Datatypes, dateTime',
    remedy: 'Send effectiveDateTime as 2026-03-02T08:10:00+01:00: the time of measuring, not of sending.',
    judge: (heard) =>
      every(
        readings(heard),
        ({ effectiveDateTime: time }) => /T\d{2}:\d{2}:\d{2}/.test(textOf(time)) && parseDateTime(textOf(time)) !== undefined,
        'readings have a time with seconds and offset',
      ),
  },
  {
    id: 'unit',
    level: 'must',
    asks: 'Values are in a UCUM unit that is served: kg, g, [lb_av], cm, [in_i]',
    source: 'HL7 FHIR R4, ValueSets ucum-bodyweight and ucum-bodylength',
    remedy: 'Send system http://unitsofmeasure.org and the code exactly; convert nothing.',
    judge: (heard) =>
      every(
        readings(heard).filter(hasValue),
        (reading) => quantityOf(reading)['system'] === SYSTEM.ucum && Object.hasOwn(UNITS, textOf(quantityOf(reading)['code'])),
        'values have a UCUM unit that is served',
      ),
  },
  {
    id: 'digits',
    level: 'must',
    asks: 'Every digit that the scale showed is sent, zeros at the end too',
    source: 'HL7 FHIR R4, Datatypes, decimal: the precision of the value matters',
    remedy: 'Write the number as text into the JSON; a binary number loses 70.0 to 70.',
    judge: sameDecimals,
  },
  {
    id: 'method',
    level: 'should',
    asks: 'Readings say how the person was weighed or measured',
    source: 'HL7 FHIR R4, Observation.method; weights compare only when measured alike',
    remedy: 'Send method or the component for it, unless the registered Device says it for every reading.',
    judge: (heard) =>
      every(readings(heard), (reading) => 'method' in reading || 'component' in reading, 'readings say a method or have components'),
  },
  {
    id: 'clock',
    level: 'should',
    asks: 'The clock is right: the Date header is there and within a minute of ours',
    source: 'RFC 9110 section 6.6.1; limit: ops/alerts.rules.yml',
    remedy: 'Keep the clock by NTP, and send Date with each request.',
    judge: (heard) =>
      every(
        handedOver(heard),
        ({ headers, arrivedMs }) => Math.abs(Date.parse(headers['date'] ?? '') - arrivedMs) <= CLOCK_TOLERANCE_MS,
        'calls have a Date within a minute of ours',
      ),
  },
  {
    id: 'request-id',
    level: 'should',
    asks: 'Calls have an X-Request-Id, by which a reading can be followed to the health record',
    source: 'README.md, Watching it',
    remedy: 'Send X-Request-Id with up to 64 letters, digits, dots, underscores or dashes, and log it.',
    judge: (heard) =>
      every(handedOver(heard), ({ headers }) => /^[A-Za-z0-9._-]{1,64}$/.test(headers['x-request-id'] ?? ''), 'calls have an X-Request-Id'),
  },
  {
    id: 'urls',
    level: 'must',
    asks: 'No address holds what a person is known by',
    source: 'OWASP ASVS 5.0.0, 14.2.1',
    remedy: 'Search by POST to _search, with the parameters in the body.',
    judge: ({ exchanges }) =>
      every(
        exchanges,
        ({ path }) =>
          !/[?&](?:name|given|family|birthdate|address|phone|email|telecom|(?:[\w.:-]+[.:])?identifier|patient|subject)=/i.test(path),
        'addresses are free of names, birth dates and identifiers',
      ),
  },
  {
    id: 'condition',
    level: 'should',
    asks: 'If-None-Exist, where it is used, names an identifier of the reading',
    source: `${HTTP}, conditional create`,
    remedy: 'Put the reading’s own identifier there, percent-encoded, as identifier=system|value.',
    judge: (heard) =>
      every(
        handedOver(heard).filter(({ headers }) => headers['if-none-exist'] !== undefined),
        (call) =>
          observationsIn(call)
            .flatMap(identifiersOf)
            .includes(new URLSearchParams(call.headers['if-none-exist']).get('identifier') ?? ''),
        'conditions name an identifier of the reading',
      ),
  },
  {
    id: 'order',
    level: 'should',
    asks: 'Readings of one person come in the order in which they were measured',
    source: PRACTICE,
    remedy: 'Keep one queue, and send the oldest first.',
    judge: inOrder,
  },
];

function uniqueIdentifiers(heard: Heard): Finding {
  const contents = new Map<string, Set<string>>();
  for (const reading of handedOver(heard).flatMap(observationsIn))
    for (const identifier of identifiersOf(reading))
      contents.set(identifier, (contents.get(identifier) ?? new Set()).add(stringifyExact(reading)));
  if (contents.size < 2) return NOT_SEEN;
  const shared = [...contents.values()].filter(({ size }) => size > 1).length;
  return shared === 0
    ? right(`${contents.size} identifiers, one content each.`)
    : wrong(`${shared} of ${contents.size} identifiers came with more than one content.`);
}

/** One scale shows one number of decimals in one unit: fewer now and then are zeros that were lost. */
function sameDecimals(heard: Heard): Finding {
  const decimals = new Map<string, number[]>();
  for (const reading of readings(heard).filter(hasValue)) {
    const { code, value } = quantityOf(reading);
    const scale = `${stringifyExact(reading['device'] ?? null)} ${textOf(code)}`;
    decimals.set(scale, [...(decimals.get(scale) ?? []), (stringifyExact(value ?? null).split('.')[1] ?? '').length]);
  }
  const several = [...decimals.values()].filter(({ length }) => length > 1);
  if (several.length === 0) return NOT_SEEN;
  const uneven = several.filter((counts) => new Set(counts).size > 1).length;
  return uneven === 0
    ? right(`${several.length} scales, each with one number of decimals.`)
    : wrong(`${uneven} of ${several.length} scales sent different numbers of decimals.`);
}

function inOrder(heard: Heard): Finding {
  const last = new Map<string, number>();
  let compared = 0;
  let late = 0;
  for (const { subject, effectiveDateTime } of readings(heard)) {
    const [person, time] = [stringifyExact(subject ?? null), Date.parse(textOf(effectiveDateTime))];
    // a time that cannot be read is another criterion's
    if (Number.isNaN(time)) continue;
    const before = last.get(person);
    if (before !== undefined) compared += 1;
    if (before !== undefined && time < before) late += 1;
    last.set(person, Math.max(time, before ?? time));
  }
  if (compared === 0) return NOT_SEEN;
  return late === 0
    ? right(`${compared} readings came after earlier ones of their person.`)
    : wrong(`${late} of ${compared} readings came after later ones of their person.`);
}
