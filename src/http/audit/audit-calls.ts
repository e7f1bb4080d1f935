/**
 * One audit event for each call of the FHIR interface that reads or writes, however it is answered.
 *
 * The event is on disk before the answer leaves, for an answer reveals what it holds; when it cannot be
 * kept at all, the answer is 503 instead (see `AuditTrail` for a store that cannot commit). Calls that
 * change something have written theirs in the unit of work that made the change; here they are told
 * apart by `isAudited`. Not audited: what reveals nothing of anybody (metadata, artefacts, rules,
 * health, metrics, addresses at which nothing is served) and calls that a store out of order did not take.
 */
import type { AuditedInteraction, OwnEvent } from '../../core/audit/codes.ts';
import { outcomeOfStatus } from '../../core/audit/codes.ts';
import type { UntimedFacts } from '../../audit-trail.ts';
import { ruleIdOf, ServiceError } from '../../errors.ts';
import { StoreUnavailable } from '../../ports.ts';
import { beforeAnswer } from '../before-answer.ts';
import { readFormBody } from '../body.ts';
import { notesOf, type RequestNotes } from '../request-notes.ts';
import { queryOf } from '../search/query.ts';
import type { Request, RequestHandler, Response, Serving } from '../serving.ts';
import { personsAsked } from './asked.ts';
import { disclosedIn } from './disclosed.ts';

/** What a route does, as it is audited. */
export interface Access {
  readonly interaction: AuditedInteraction;
  readonly event?: OwnEvent;
  /** The type of resource that the address names. */
  readonly type?: string;
}

/** Says it more closely once the body is read: a Bundle is a batch or a transaction. */
export function noteInteraction(res: Response, interaction: AuditedInteraction): void {
  const accessed = ACCESSED.get(res);
  if (accessed) ACCESSED.set(res, { ...accessed, access: { ...accessed.access, interaction } });
}

type Auditing = Pick<Serving, 'audit' | 'store' | 'policy' | 'log'>;

const ACCESSED = new WeakMap<Response, { readonly access: Access; readonly place?: string }>();
const ID = /^[A-Za-z0-9.-]{1,64}$/;
const FORBIDDEN = 403;
const TOO_MANY_REQUESTS = 429;
const REFUSALS_OF_ACCESS: ReadonlySet<number> = new Set([401, FORBIDDEN, TOO_MANY_REQUESTS]);

/** Before every middleware that may refuse access. */
export function auditCalls(serving: Auditing): RequestHandler {
  return (req, res, next) => {
    beforeAnswer(res, (answer) => auditAnswer(serving, req, res, answer));
    next();
  };
}

/** First in a route whose calls are audited. */
export function noteAccess(access: Access): RequestHandler {
  return (req, res, next) => {
    const { id, version } = req.params;
    const isPlace = access.type !== undefined && typeof id === 'string' && ID.test(id);
    const isVersion = typeof version === 'string' && /^[1-9]\d{0,8}$/.test(version);
    const place = isPlace ? { place: `${access.type ?? ''}/${id}${isVersion ? `/_history/${version}` : ''}` } : {};
    ACCESSED.set(res, { access, ...place });
    next();
  };
}

function auditAnswer(
  serving: Auditing,
  req: Request,
  res: Response,
  answer: { readonly status: number; readonly text?: string },
): Promise<ServiceError | undefined> | undefined {
  const notes = notesOf(res);
  const isRefusal = REFUSALS_OF_ACCESS.has(answer.status);
  const accessed = ACCESSED.get(res);
  if (isRefusal && !notes.isAudited) return refuseCall(serving, req, notes, accessed, answer.status);
  if (accessed === undefined || notes.isAudited || wasNotTaken(notes, answer.status)) return undefined;
  return keep(serving, req, notes, accessed, answer);
}

/** The store could not commit: nothing was changed, and nothing is revealed. Of a batch that is so for single entries only. */
function wasNotTaken({ ruleIds }: RequestNotes, status: number): boolean {
  return status >= 400 && ruleIds.has(ruleIdOf('ERR_STORE_UNAVAILABLE'));
}

type Accessed = NonNullable<ReturnType<(typeof ACCESSED)['get']>>;

function refuseCall(
  serving: Auditing,
  req: Request,
  notes: RequestNotes,
  accessed: Accessed | undefined,
  status: number,
): Promise<undefined> {
  const asked = accessed && { interaction: accessed.access.interaction, ...(accessed.place !== undefined && { place: accessed.place }) };
  return refuseAccess(serving, req, notes, { ...asked, status, rules: [...notes.ruleIds] });
}

interface RefusedAccess {
  readonly interaction?: AuditedInteraction;
  readonly place?: string;
  readonly status: number;
  readonly rules: readonly string[];
}

async function refuseAccess(
  { audit, log }: Auditing,
  req: Request,
  notes: RequestNotes,
  { interaction, place, status, rules }: RefusedAccess,
): Promise<undefined> {
  const { client = '' } = notes.caller;
  try {
    await audit.accessRefused(JSON.stringify([client, req.method, notes.route, status]), {
      ...callFacts(notes, status),
      ...(interaction && { interaction }),
      event: 'access-refused',
      ...(place !== undefined && { resources: [place] }),
      details: [['route', `${knownMethod(req)} ${notes.route}`], ...rules.map((id) => ['rule', id] as const)],
    });
  } catch (error) {
    // whoever is turned away is turned away all the same
    log.fault(error, { requestId: notes.requestId, during: 'audit' });
  }
}

/** Entries of a batch are allowed one by one, as calls of their own would be. */
async function refuseEntries(serving: Auditing, req: Request, notes: RequestNotes): Promise<void> {
  for (const entry of notes.forbiddenEntries)
    await refuseAccess(serving, req, notes, { ...entry, status: FORBIDDEN, rules: [ruleIdOf('ERR_FORBIDDEN')] });
}

function knownMethod({ method }: Request): string {
  return /^(GET|HEAD|POST|PUT|PATCH|DELETE|OPTIONS)$/.test(method) ? method : 'other';
}

async function keep(
  serving: Auditing,
  req: Request,
  notes: RequestNotes,
  { access, place }: Accessed,
  { status, text }: { readonly status: number; readonly text?: string },
): Promise<ServiceError | undefined> {
  const isError = status >= 400;
  await refuseEntries(serving, req, notes);
  try {
    const disclosed = isError || text === undefined ? { resources: [], persons: [] } : await disclosedIn(text, serving.store);
    const query = queryFor(access, req);
    const facts: UntimedFacts = {
      ...callFacts(notes, status),
      interaction: access.interaction,
      ...(access.event && { event: access.event }),
      resources: [
        ...(place === undefined || disclosed.resources.some((one) => one.startsWith(`${place}/`)) ? [] : [place]),
        ...disclosed.resources,
      ],
      persons: [...disclosed.persons, ...notes.concerned, ...(query === undefined ? [] : personsAsked(access.type ?? '', query))],
      ...(query !== undefined && { query: `${access.type ?? ''}?${query}` }),
      details: [
        ...verdictDetails(notes),
        ...ruleDetails(notes),
        ...(notes.verdicts.length > 0 ? [['policy', serving.policy.current.version] as const] : []),
      ],
    };
    if (isError) await serving.audit.recordIfPossible(facts);
    else await serving.audit.record(facts);
    return undefined;
  } catch (error) {
    if (error instanceof StoreUnavailable)
      return new ServiceError(
        'ERR_STORE_UNAVAILABLE',
        'This cannot be shown now, since it cannot be recorded that it was shown. Ask again later.',
      );
    serving.log.fault(error, { requestId: notes.requestId, during: 'audit' });
    return isError
      ? undefined
      : new ServiceError('ERR_INTERNAL', `This is our fault, not yours. Report it with the request id ${notes.requestId}.`);
  }
}

function callFacts(
  { caller, requestId }: RequestNotes,
  status: number,
): Pick<UntimedFacts, 'caller' | 'requestId' | 'outcome' | 'outcomeText'> {
  return { caller, requestId, outcome: outcomeOfStatus(status), ...(status >= 400 && { outcomeText: `HTTP ${status}` }) };
}

/** The parameters as they were sent, those of a form behind those of the address. */
function queryFor({ interaction, event }: Access, req: Request): string | undefined {
  if (interaction !== 'search-type' && event !== 'affected') return undefined;
  const inBody = interaction === 'search-type' ? formIn(req) : '';
  return [queryOf(req.originalUrl), inBody].filter((part) => part !== '').join('&');
}

/** A form that is no UTF-8 is refused where it is read, and names nothing here. */
function formIn(req: Request): string {
  try {
    return readFormBody(req);
  } catch {
    return '';
  }
}

function ruleDetails({ ruleIds }: RequestNotes) {
  return [...ruleIds].map((id) => ['rule', id] as const);
}

/** One verdict, or how many of each the entries of a batch came to. */
function verdictDetails({ verdicts }: RequestNotes) {
  const counts = new Map<string, number>();
  for (const verdict of verdicts) counts.set(verdict, (counts.get(verdict) ?? 0) + 1);
  const isOne = verdicts.length === 1;
  return [...counts].map(([verdict, count]) => ['verdict', isOne ? verdict : `${verdict}: ${count}`] as const);
}
