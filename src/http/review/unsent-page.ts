/** `/review/unsent`: what has not reached the EHR, and why; sending again what the EHR would not take. */
import type { OutboxItem } from '../../ports.ts';
import { html } from '../../review/html.ts';
import { notice } from '../../review/page.ts';
import { unsentView, type UnsentItem } from '../../review/unsent.ts';
import { ageWords, amount, MEASURE_WORDS, moment, plural } from '../../review/words.ts';
import { TO_OPERATE } from '../auth/needs.ts';
import { callOf, notesOf } from '../request-notes.ts';
import type { Handler, Response } from '../serving.ts';
import type { ReadingSurroundings } from './load-reading.ts';
import { mayNot } from './may-not.ts';
import type { PageParts } from './page-parts.ts';
import { goTo, sendNotFound, sendPage } from './send-page.ts';
import { visitorOf } from './visitor.ts';

const MOST_SHOWN = 100;
const PATH = '/review/unsent';

export function unsentPage(parts: PageParts): Handler {
  return async (req, res) => {
    const isDone = new URL(req.originalUrl, 'http://page').searchParams.get('done') === 'again';
    await showUnsent(
      parts,
      res,
      isDone ? { done: 'It waits to be sent again. Nothing is sent twice: what may be at the EHR is looked up first.' } : {},
    );
  };
}

/** `POST /review/unsent/{number}/retry`: what `steelyard outbox retry` does with one item. */
export function retryByForm(parts: PageParts): Handler {
  return async (req, res) => {
    const refusal = mayNot(res, TO_OPERATE);
    if (refusal) {
      await showUnsent(parts, res, { status: refusal.row.status, problem: refusal.message });
      return;
    }
    const given = String(req.params['number']);
    if (!/^[1-9]\d{0,14}$/.test(given)) {
      sendNotFound(res, 'There is no such item here.');
      return;
    }
    const { serving } = parts;
    const call = callOf(res);
    if (await serving.store.outbox.retry(Number(given), serving.clock.nowMs(), call)) {
      call.noteAudited?.();
      goTo(res, `${PATH}?done=again`);
      return;
    }
    await showUnsent(parts, res, {
      status: 409,
      problem: `Item ${given} was not sent again: it is parked no more, or waits for another item that is. This is how it is now.`,
    });
  };
}

interface Showing {
  readonly status?: number;
  readonly done?: string;
  readonly problem?: string;
}

async function showUnsent({ serving, surroundings }: PageParts, res: Response, { status, done, problem }: Showing): Promise<void> {
  const { outbox } = serving.store;
  const [items, { waiting, parked }] = [await outbox.list({ states: ['waiting', 'parked'], limit: MOST_SHOWN }), await outbox.counts()];
  notesOf(res).concerned.push(...new Set(items.map(({ person }) => person)));
  const around = surroundings();
  const shown: UnsentItem[] = [];
  for (const item of items) shown.push(await inWords(item, around));
  const forwards = serving.forwards || waiting + parked > 0;
  const mayRetry = mayNot(res, TO_OPERATE) === undefined;
  const list = unsentView({ items: shown, waiting, parked, forwards, ...(mayRetry && { formToken: visitorOf(res).formToken }) });
  const content = html`${done !== undefined && notice('done', done)}${problem !== undefined && notice('problem', problem)}${list}`;
  sendPage(res, { title: 'Not at the EHR yet', section: PATH, content, ...(status !== undefined && { status }) });
}

async function inWords(item: OutboxItem, { directory, nowMs, zone, ...around }: ReadingSurroundings): Promise<UnsentItem> {
  const { number, state, person, queuedAt, tries, dueMs, reason, blockedBy } = item;
  const queuedMs = Date.parse(queuedAt);
  const isParked = state === 'parked';
  return {
    number,
    isParked,
    canRetry: isParked && blockedBy === undefined,
    person: (await directory.person(person)).name,
    what: await whatIn(item, around),
    queued: moment(queuedMs, zone),
    waits: ageWords(nowMs - queuedMs),
    tries,
    why: reason ?? (blockedBy === undefined ? 'its turn has not come' : `waits for item ${blockedBy}`),
    ...(state === 'waiting' && dueMs > nowMs && { next: `in ${ageWords(dueMs - nowMs)}` }),
  };
}

/** The first weight or height of it, and how many Observations go with that. */
async function whatIn({ resources }: OutboxItem, { read }: Pick<ReadingSurroundings, 'read'>): Promise<string> {
  const observations = resources.filter(({ type }) => type === 'Observation');
  const [first] = observations;
  const reading = first && (await read.readingOf(first.id));
  const words = reading
    ? `${MEASURE_WORDS[reading.of]} ${reading.quantity ? amount(reading.quantity) : 'without a value'}`
    : 'what was derived';
  const others = observations.length - 1;
  return others > 0 ? `${words} and ${plural(others, 'other Observation')}` : words;
}
