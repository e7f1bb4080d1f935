/**
 * Reads the Parameters of the operations on one Observation (HL7 FHIR R4 4.0.1, Parameters): what
 * is missing, doubled, unknown or too long is a 400 that names the parameter. What people wrote
 * (reasons, names) is never quoted.
 */
import type * as fhir4 from 'fhir/r4.js';
import { conformResource } from '../core/conform.ts';
import { DECISION_CODES, DECISIONS, type DecisionRequest } from '../core/decision.ts';
import { explainFinding } from '../core/finding.ts';
import { isJsonObject, type Exact, type JsonObject, type JsonValue } from '../core/json.ts';
import { pointerOf } from '../core/pointers.ts';
import { namesPerson } from '../caller.ts';
import { ServiceError } from '../errors.ts';

export const LONGEST_REASON = 500;
export const LONGEST_NAME = 200;

/** Somebody names the person of a reading that arrived without one. */
export interface ClaimRequest {
  readonly subject: Exact<fhir4.Reference>;
  readonly who: fhir4.Reference;
}

/** Somebody takes back the last decision on a reading. */
export interface UndoRequest {
  readonly who: fhir4.Reference;
  readonly reason?: string;
}

/**
 * @param person who is logged in
 * @throws ServiceError ERR_BAD_REQUEST, ERR_BAD_VALUE, ERR_NOT_SUPPORTED, ERR_FORBIDDEN (somebody else is named)
 */
export function parseDecision(parsed: JsonValue, knownBases: readonly string[], person?: fhir4.Reference): DecisionRequest {
  const given = new GivenParameters(parsed, ['decision', 'reason', 'who', 'value', 'subject'], knownBases);
  const code = given.choice('decision', DECISION_CODES);
  const { needs, takes } = DECISIONS[code];
  for (const name of ['reason', 'value', 'subject'] as const) {
    if (needs.includes(name)) given.require(name, `The decision ${code} needs the parameter ${name}.`);
    else if (!takes.includes(name)) given.forbid(name, `The decision ${code} has no parameter ${name}. Leave it out.`);
  }
  const reason = given.text('reason', LONGEST_REASON);
  const value = given.member('value', 'valueQuantity') as Exact<fhir4.Quantity> | undefined;
  const subject = given.person('subject');
  return {
    code,
    who: given.actor('who', person),
    ...(reason !== undefined && { reason }),
    ...(value && { value }),
    ...(subject && { subject }),
  };
}

/** As `parseDecision`. */
export function parseClaim(parsed: JsonValue, knownBases: readonly string[], person?: fhir4.Reference): ClaimRequest {
  const given = new GivenParameters(parsed, ['subject', 'who'], knownBases);
  given.require('subject', "The parameter subject is missing. Scan the person's identifier and send it.");
  return { subject: given.person('subject') as Exact<fhir4.Reference>, who: given.actor('who', person) };
}

/** As `parseDecision`. */
export function parseUndo(parsed: JsonValue, knownBases: readonly string[], person?: fhir4.Reference): UndoRequest {
  const given = new GivenParameters(parsed, ['reason', 'who'], knownBases);
  const reason = given.text('reason', LONGEST_REASON);
  return { who: given.actor('who', person), ...(reason !== undefined && { reason }) };
}

/** Where a parameter stands, for the caller to find it. */
export function placeOf(parsed: JsonValue, name: string): string {
  const list = isJsonObject(parsed) && Array.isArray(parsed['parameter']) ? parsed['parameter'] : [];
  const index = list.findIndex((item) => isJsonObject(item) && item['name'] === name);
  return index < 0 ? 'Parameters.parameter' : `Parameters.parameter[${index}]`;
}

/** Nobody decides in the name of somebody else. */
export function notYourself(expression: string): ServiceError {
  return new ServiceError(
    'ERR_FORBIDDEN',
    'It is recorded for the person whom the token names, and for nobody else. Leave the parameter who out.',
    {
      expression,
    },
  );
}

const STAFF = new Set(['Practitioner', 'PractitionerRole', 'RelatedPerson', 'Patient', 'Device', 'Organization']);

class GivenParameters {
  readonly #parsed: JsonObject;
  readonly #knownBases: readonly string[];
  readonly #parts = new Map<string, JsonObject>();

  constructor(parsed: JsonValue, known: readonly string[], knownBases: readonly string[]) {
    const conformed = conformResource(parsed, 'Parameters');
    if (!conformed.ok) {
      const [first] = conformed.findings;
      const message = first ? explainFinding(first) : 'The body is no Parameters resource.';
      throw new ServiceError('ERR_BAD_REQUEST', message, { expression: first?.expression ?? 'Parameters' });
    }
    this.#parsed = conformed.resource;
    this.#knownBases = knownBases;
    ((conformed.resource['parameter'] ?? []) as JsonObject[]).forEach((part, index) => {
      const name = String(part['name']);
      const at = { expression: `Parameters.parameter[${index}]` };
      if (!known.includes(name))
        throw new ServiceError('ERR_NOT_SUPPORTED', `This operation has the parameters ${known.join(', ')} only. Leave the other out.`, at);
      if (this.#parts.has(name)) throw new ServiceError('ERR_BAD_VALUE', `The parameter ${name} is there twice. Send it once.`, at);
      this.#parts.set(name, part);
    });
  }

  require(name: string, message: string): void {
    if (!this.#parts.has(name)) throw new ServiceError('ERR_BAD_VALUE', message, { expression: 'Parameters.parameter' });
  }

  forbid(name: string, message: string): void {
    if (this.#parts.has(name)) throw this.#wrong(name, message);
  }

  choice<Choice extends string>(name: string, choices: readonly Choice[]): Choice {
    this.require(name, `The parameter ${name} is missing. It is one of ${choices.join(', ')}, as valueCode.`);
    const chosen = choices.find((one) => one === this.#parts.get(name)?.['valueCode']);
    if (chosen === undefined) throw this.#wrong(name, `The parameter ${name} must be one of ${choices.join(', ')}, as valueCode.`);
    return chosen;
  }

  text(name: string, longest: number): string | undefined {
    if (!this.#parts.has(name)) return undefined;
    const text = this.member(name, 'valueString');
    if (typeof text !== 'string' || text.trim() === '') throw this.#wrong(name, `The parameter ${name} must be a text, as valueString.`);
    if (text.length > longest) throw this.#wrong(name, `The parameter ${name} may have at most ${longest} characters.`);
    return text;
  }

  /** The value under the one member that it may have. */
  member(name: string, member: string): JsonValue | undefined {
    const part = this.#parts.get(name);
    if (part === undefined) return undefined;
    const value = part[member];
    if (value === undefined) throw this.#wrong(name, `The parameter ${name} must be given as ${member}.`);
    return value;
  }

  /** A Patient, by reference or by an identifier with system and value. */
  person(name: string): Exact<fhir4.Reference> | undefined {
    const reference = this.member(name, 'valueReference') as Exact<fhir4.Reference> | undefined;
    if (reference === undefined) return undefined;
    const pointer = pointerOf(reference, this.#knownBases);
    if (pointer.kind === 'logical' || (pointer.kind === 'literal' && pointer.type === 'Patient')) return reference;
    throw this.#wrong(name, `The parameter ${name} must name a Patient: Patient/ID, or an identifier with system and value.`);
  }

  /** Whoever decided: the person who is logged in, where somebody is, whom the request may name too. */
  actor(name: string, person: fhir4.Reference | undefined): fhir4.Reference {
    if (person === undefined) return this.#who(name);
    if (this.#parts.has(name) && !namesPerson(this.#who(name), person)) throw notYourself(placeOf(this.#parsed, name));
    return person;
  }

  /** A reference, an identifier, or a name alone. */
  #who(name: string): fhir4.Reference {
    this.require(
      name,
      `The parameter ${name} is missing. Say who decided: a reference or identifier as valueReference, or a name as valueString.`,
    );
    const part = this.#parts.get(name) as JsonObject;
    if (part['valueReference'] === undefined) return { display: this.text(name, LONGEST_NAME) };
    const { reference, type, identifier, display } = part['valueReference'] as unknown as fhir4.Reference;
    const named = identifier && { system: identifier.system, value: identifier.value };
    const texts = [reference, type, named?.system, named?.value, display].filter((text) => text !== undefined);
    if (texts.some((text) => text.length > LONGEST_NAME))
      throw this.#wrong(name, `The parameter ${name} may have at most ${LONGEST_NAME} characters in each of its parts.`);
    if ((reference === undefined && named?.value === undefined) || (reference !== undefined && !this.#isSomebody(reference)))
      throw this.#wrong(name, `The parameter ${name} must refer to a person, device or organisation, or have an identifier with a value.`);
    return {
      ...(reference !== undefined && { reference }),
      ...(type !== undefined && { type }),
      ...(named?.value !== undefined && {
        identifier: { ...(named.system !== undefined && { system: named.system }), value: named.value },
      }),
      ...(display !== undefined && { display }),
    };
  }

  #isSomebody(reference: string): boolean {
    const pointer = pointerOf({ reference }, this.#knownBases);
    return pointer.kind === 'literal' ? STAFF.has(pointer.type) : /^https?:\/\/\S+$/.test(reference);
  }

  #wrong(name: string, message: string): ServiceError {
    return new ServiceError('ERR_BAD_VALUE', message, { expression: placeOf(this.#parsed, name) });
  }
}
