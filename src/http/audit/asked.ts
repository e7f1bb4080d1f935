/** Whom a search names: those people are concerned by it even when nothing is found. Takes any query; what is broken names nobody. */
import { logicalKey } from '../../core/pointers.ts';
import { ServiceError } from '../../errors.ts';
import { parseQuery } from '../search/query.ts';
import { alternatives, token } from '../search/values.ts';

/** @param type of the resources that are searched */
export function personsAsked(type: string, query: string): string[] {
  try {
    return parseQuery(query).flatMap(({ name, value }) => {
      const isPerson = /^(patient|subject)([:.]|$)/.test(name);
      if (!isPerson && !(type === 'Patient' && (name === '_id' || name === 'identifier'))) return [];
      return alternatives(name, value).flatMap((text) => (/identifier$/.test(name) ? byIdentifier(name, text) : byId(text)));
    });
  } catch (error) {
    if (error instanceof ServiceError) return [];
    throw error;
  }
}

function byIdentifier(name: string, text: string): string[] {
  const { system, value } = token(name, text);
  return system === undefined || system === '' ? [] : [logicalKey({ system, value })];
}

function byId(text: string): string[] {
  const [, id] = /(?:^|\/)(?:Patient\/)?([A-Za-z0-9.-]{1,64})$/.exec(text) ?? [];
  return id === undefined ? [] : [`Patient/${id}`];
}
