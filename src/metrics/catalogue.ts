/**
 * Every metric of ours, in one table: what is measured, README's list, and what the tests of the
 * alert rules and the dashboard know all come from it.
 *
 * Names and base units as Prometheus asks for them (Prometheus documentation, "Metric and label
 * naming"). Labels are of few values: route patterns, verdicts, rule ids, client ids up to a bound.
 */

export interface MetricRow {
  readonly kind: 'counter' | 'gauge' | 'histogram';
  readonly help: string;
  readonly labels?: readonly string[];
  /** Upper bounds, of histograms. */
  readonly buckets?: readonly number[];
  /** Series that are there with 0 from the start: what appears with its first count shows no increase. */
  readonly from0?: readonly Readonly<Record<string, string>>[];
}

const REQUEST_SECONDS = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10];
const COMMIT_SECONDS = [0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1];
const DELIVERY_SECONDS = [0.05, 0.1, 0.25, 0.5, 1, 2, 5, 15, 60, 300, 3_600];
/** Doublings up to the largest group that the store commits together. */
const COMMIT_UNITS = [1, 2, 4, 8, 16, 32, 64];

export const METRICS = {
  steelyard_build_info: { kind: 'gauge', help: '1 for the version of this software', labels: ['version'] },
  steelyard_http_requests_total: { kind: 'counter', help: 'Answered HTTP requests', labels: ['method', 'route', 'status'] },
  steelyard_http_request_duration_seconds: {
    kind: 'histogram',
    help: 'Time from the first byte of a request to the end of its answer',
    labels: ['method', 'route'],
    buckets: REQUEST_SECONDS,
  },
  steelyard_requests_throttled_total: { kind: 'counter', help: 'Requests answered 429: a client asked too often', from0: [{}] },
  steelyard_requests_shed_total: {
    kind: 'counter',
    help: 'Requests answered 503 because there was too much to do, by reason',
    labels: ['reason'],
    from0: ['stopping', 'at-work', 'bodies', 'store', 'event-loop', 'heap'].map((reason) => ({ reason })),
  },
  steelyard_refused_tokens_total: { kind: 'counter', help: 'Tokens that were refused, by reason', labels: ['reason'] },
  steelyard_mllp_messages_total: {
    kind: 'counter',
    help: 'HL7 v2 messages by how they were answered: accept (AA, CA), error (AE, CE), reject (AR, CR)',
    labels: ['result'],
    from0: [{ result: 'accept' }, { result: 'error' }, { result: 'reject' }],
  },
  steelyard_mllp_faults_total: {
    kind: 'counter',
    help: 'What was not used of MLLP connections, by reason',
    labels: ['reason'],
    from0: ['half', 'too-large', 'no-blocks', 'too-slow', 'too-many', 'tls'].map((reason) => ({ reason })),
  },
  steelyard_mllp_connections: { kind: 'gauge', help: 'MLLP connections that are open; absent while none are taken' },
  steelyard_readings_total: {
    kind: 'counter',
    help: 'Readings by verdict',
    labels: ['verdict'],
    from0: [{ verdict: 'accepted' }, { verdict: 'held' }, { verdict: 'refused' }, { verdict: 'resent' }],
  },
  steelyard_findings_total: { kind: 'counter', help: 'Findings by rule', labels: ['rule'] },
  steelyard_held_readings: { kind: 'gauge', help: 'Readings that wait for a second weighing or a decision' },
  steelyard_held_oldest_age_seconds: { kind: 'gauge', help: 'Since when the reading waits that has waited longest; 0 when none waits' },
  steelyard_unassigned_readings: { kind: 'gauge', help: 'Held readings that name nobody and wait to be claimed' },
  steelyard_outbox_waiting: { kind: 'gauge', help: 'Outbox items that wait to be sent' },
  steelyard_outbox_parked: { kind: 'gauge', help: 'Outbox items that the EHR refused for good' },
  steelyard_outbox_oldest_age_seconds: { kind: 'gauge', help: 'Age of the oldest waiting outbox item; 0 when none waits' },
  steelyard_forwardings_total: {
    kind: 'counter',
    help: 'Tries to send to the EHR by result',
    labels: ['result'],
    from0: [{ result: 'sent' }, { result: 'postponed' }, { result: 'parked' }],
  },
  steelyard_forwardings_late_total: {
    kind: 'counter',
    help: 'Tries that ended after another worker had claimed the item',
    from0: [{}],
  },
  steelyard_forwarding_delay_seconds: {
    kind: 'histogram',
    help: 'Time from queueing an outbox item to knowing that the EHR has it',
    buckets: DELIVERY_SECONDS,
  },
  steelyard_forwarding_paused: { kind: 'gauge', help: '1 while the EHR cannot be used and only single items are tried' },
  steelyard_readbacks_total: {
    kind: 'counter',
    help: 'Sent Observations that were read again at the EHR, by result',
    labels: ['result'],
    from0: [{ result: 'same' }, { result: 'differs' }, { result: 'unread' }],
  },
  steelyard_notifications_total: {
    kind: 'counter',
    help: 'Notifications to subscribers, greetings too, by result',
    labels: ['result'],
    from0: [{ result: 'taken' }, { result: 'failed' }],
  },
  steelyard_notified_events_total: { kind: 'counter', help: 'Events that subscribers took', from0: [{}] },
  steelyard_subscriptions: { kind: 'gauge', help: 'Subscriptions by status', labels: ['status'] },
  steelyard_subscription_events_waiting: {
    kind: 'gauge',
    help: 'Events that subscribers have not taken yet, counted up to 10,000 for each subscription',
  },
  steelyard_subscription_oldest_age_seconds: {
    kind: 'gauge',
    help: 'Age of the oldest change that a subscriber has not taken; 0 when there is none',
  },
  steelyard_demographics_questions_total: {
    kind: 'counter',
    help: 'Questions to the EHR about people whom nobody told of, by what became of them',
    labels: ['result'],
    from0: [
      { result: 'registered' },
      { result: 'unchanged' },
      { result: 'not-found' },
      { result: 'several' },
      { result: 'unusable' },
      { result: 'unanswered' },
      { result: 'dropped' },
    ],
  },
  steelyard_gateway_last_seen_timestamp_seconds: {
    kind: 'gauge',
    help: 'When this replica last heard of a client, or began to listen for one that is expected',
    labels: ['client'],
  },
  steelyard_gateway_expected_interval_seconds: {
    kind: 'gauge',
    help: 'How long a client of the gateways file may be silent',
    labels: ['client'],
  },
  steelyard_gateway_clock_difference_seconds: {
    kind: 'gauge',
    help: "A client's clock minus ours, by the Date header of its last request within the hour",
    labels: ['client'],
  },
  steelyard_expiry_timestamp_seconds: { kind: 'gauge', help: 'When a certificate or token of ours expires', labels: ['what'] },
  steelyard_ehr_clock_difference_seconds: { kind: 'gauge', help: "Our clock minus that of the EHR's token endpoint" },
  steelyard_audit_unwritten: { kind: 'gauge', help: 'Audit events that are not in the store yet' },
  steelyard_audit_chain_broken: { kind: 'gauge', help: '1 when the last verification found the audit chain broken' },
  steelyard_store_up: { kind: 'gauge', help: '1 when the store answered while these metrics were collected' },
  steelyard_store_units_waiting: { kind: 'gauge', help: 'Units of work that wait for a commit' },
  steelyard_store_commit_units: { kind: 'histogram', help: 'Units of work that shared a commit', buckets: COMMIT_UNITS },
  steelyard_store_commit_duration_seconds: {
    kind: 'histogram',
    help: 'Time from the begin of a transaction to its end on disk',
    buckets: COMMIT_SECONDS,
  },
  steelyard_store_commits_failed_total: { kind: 'counter', help: 'Commits that failed; nothing of them is stored', from0: [{}] },
  steelyard_disk_free_bytes: { kind: 'gauge', help: 'Free space where the SQLite store is; absent on PostgreSQL' },
  steelyard_disk_free_ratio: { kind: 'gauge', help: 'The same as a part of the whole, 0 to 1' },
  steelyard_policy_info: { kind: 'gauge', help: '1 for the version of the policy in force', labels: ['version'] },
  steelyard_policy_reload_failed: {
    kind: 'gauge',
    help: '1 when the last reload found a broken file and an earlier policy is in force',
  },
} as const satisfies Readonly<Record<string, MetricRow>>;

export type MetricName = keyof typeof METRICS;

/** Names of the metrics of one kind. */
export type MetricOf<Kind extends MetricRow['kind']> = {
  [Name in MetricName]: (typeof METRICS)[Name] extends { readonly kind: Kind } ? Name : never;
}[MetricName];
