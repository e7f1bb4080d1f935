/**
 * Subscriptions as those see them who register, deliver and look after them. What a subscription
 * has been told, and is to be told, is a list of numbered events: 1, 2, 3, … without a gap.
 */
import type { Call } from './caller.ts';
import type { Token } from './core/facts.ts';
import type { StoredResource } from './stored-resource.ts';

/**
 * `requested`: the subscriber has not answered the greeting yet. `active`: it takes what it is sent.
 * `error`: it has not for a while; single tries go on, and the first that succeeds makes it `active`.
 */
export type SubscriptionState = 'requested' | 'active' | 'error' | 'off';

/** Which Observations a subscription is about; all of them where nothing is named. */
export interface SubscriptionFilter {
  readonly codes?: readonly Token[];
  readonly categories?: readonly Token[];
}

export interface NewSubscription {
  readonly id: string;
  /** The resource as it was taken, without what the service says of it. */
  readonly text: string;
  readonly filter: SubscriptionFilter;
  readonly endsMs?: number;
}

export interface StoredSubscription extends NewSubscription {
  readonly number: number;
  readonly state: SubscriptionState;
  /** Why it is in `error` or `off`: no patient data. */
  readonly error?: string;
  /** The last event number that was given; also that of the events since it began. */
  readonly numbered: number;
  /** The last event that the subscriber took. */
  readonly delivered: number;
  /** When the service last changed it, a FHIR instant. */
  readonly updatedAt: string;
}

/** A subscription in the hands of one worker. `claim` is handed out once and never again. */
export interface ClaimedSubscription extends StoredSubscription {
  readonly claim: number;
  /** The subscriber has answered the greeting. */
  readonly isGreeted: boolean;
  /** Tries that failed since the last one that succeeded, and since when. */
  readonly failures: number;
  readonly failingSinceMs?: number;
}

export interface SubscriptionEvent {
  readonly number: number;
  /** When the event was numbered, a FHIR instant. */
  readonly at: string;
  /** The version that it speaks of; absent once that was removed for good. */
  readonly resource?: StoredResource;
  /** Key of the person whose it is. */
  readonly person?: string;
}

export interface EventPage {
  readonly events: readonly SubscriptionEvent[];
  /** The last number that was given. */
  readonly numbered: number;
  /** The first event that is still kept; events before it were removed by their age. */
  readonly firstKept: number;
}

/** How far subscribers are behind, over all subscriptions that are not `off`. */
export interface SubscriptionFigures {
  readonly byState: Readonly<Record<SubscriptionState, number>>;
  /** Counted up to a bound for each subscription. */
  readonly behind: number;
  /** When the change was stored that has waited longest; absent when nothing waits. */
  readonly oldestAt?: string;
}

export interface SubscriptionStore {
  /**
   * Begins behind all that is stored now. Undefined when there are `most` already.
   *
   * @param call whose call it is, for the audit
   */
  add(subscription: NewSubscription, most: number, nowMs: number, call: Call): Promise<StoredSubscription | undefined>;
  /** In the order in which they were made. */
  list(nowMs: number): Promise<readonly StoredSubscription[]>;
  find(id: string, nowMs: number): Promise<StoredSubscription | undefined>;
  /** False when there is none. Its events go with it. */
  remove(id: string, nowMs: number, call: Call): Promise<boolean>;
  /** Those that have something to be told or greeted with, are due, and that nobody else has. */
  claim(nowMs: number, leaseMs: number, limit: number, except?: readonly number[]): Promise<readonly ClaimedSubscription[]>;
  /**
   * The events that come next, at most `limit`, numbered durably before anybody is told of them: what
   * was numbered before and not taken first. Empty when there is nothing, or the claim is over.
   */
  nextEvents(claimed: ClaimedSubscription, limit: number, nowMs: number): Promise<readonly SubscriptionEvent[]>;
  /** Is the subscription still that of the claim? */
  holds(claimed: ClaimedSubscription): Promise<boolean>;
  /** The subscriber took everything up to this number; 0 for the greeting. False when the claim is over. */
  markDelivered(claimed: ClaimedSubscription, upTo: number, nowMs: number): Promise<boolean>;
  /** A try failed. `state` when that changes it. Ends the claim. */
  markFailed(claimed: ClaimedSubscription, failure: SubscriptionFailure): Promise<boolean>;
  /** Ends the claim: there is nothing more to do just now. */
  release(claimed: ClaimedSubscription): Promise<void>;
  /**
   * Events from one number (the first that is kept when absent) to another, both among them, at most
   * `limit`. What has no number yet gets it now, so that whoever only asks and takes no notifications
   * sees everything too. Undefined when there is no such subscription.
   */
  events(
    id: string,
    range: { readonly from?: number; readonly to: number; readonly limit: number },
    nowMs: number,
  ): Promise<EventPage | undefined>;
  figures(nowMs: number): Promise<SubscriptionFigures>;
}

export interface SubscriptionFailure {
  readonly nowMs: number;
  readonly dueMs: number;
  readonly isError: boolean;
  /** In words of ours, no patient data. */
  readonly reason: string;
}
