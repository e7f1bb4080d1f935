/** The search parameters of Subscription (HL7 FHIR R4, Subscription, "Search Parameters"), as far as they are served. */
import type { SearchParameterType } from './observation-parameters.ts';
import { alternatives, resourceId, token } from './values.ts';

/** A stored one as it is looked at. */
export interface SearchedSubscription {
  readonly id: string;
  readonly status: string;
  readonly endpoint: string;
}

interface ParameterRow {
  readonly type: SearchParameterType;
  readonly means: string;
  /** Throws ServiceError for a value that is none. */
  readonly matcher: (name: string, value: string) => (subscription: SearchedSubscription) => boolean;
}

export const SUBSCRIPTION_PARAMETERS: Readonly<Record<string, ParameterRow>> = {
  _id: {
    type: 'token',
    means: 'id',
    matcher: (name, value) => {
      const ids = alternatives(name, value).map((text) => resourceId(name, text));
      return ({ id }) => ids.includes(id);
    },
  },
  status: {
    type: 'token',
    means: 'requested, active, error or off',
    matcher: (name, value) => {
      const statuses = alternatives(name, value).map((text) => token(name, text).value);
      return ({ status }) => statuses.includes(status);
    },
  },
  url: {
    type: 'uri',
    means: 'the endpoint',
    matcher: (name, value) => {
      const urls = alternatives(name, value);
      return ({ endpoint }) => urls.includes(endpoint);
    },
  },
};
