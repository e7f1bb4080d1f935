/** `/review/unsent`: what has not reached the EHR, and why. */
import type { OutboxItem } from '../../ports.ts';
import { unsentView, type UnsentItem } from '../../review/unsent.ts';
import { ageWords, amount, MEASURE_WORDS, moment, plural } from '../../review/words.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler } from '../serving.ts';
import type { ReadingSurroundings } from './load-reading.ts';
import type { PageParts } from './page-parts.ts';
import { sendPage } from './send-page.ts';

const MOST_SHOWN = 100;

export function unsentPage({ serving, surroundings }: PageParts): Handler {
  return async (_req, res) => {
    const { outbox } = serving.store;
    const [items, { waiting, parked }] = [await outbox.list({ states: ['waiting', 'parked'], limit: MOST_SHOWN }), await outbox.counts()];
    notesOf(res).concerned.push(...new Set(items.map(({ person }) => person)));
    const around = surroundings();
    const shown: UnsentItem[] = [];
    for (const item of items) shown.push(await inWords(item, around));
    const content = unsentView({ items: shown, waiting, parked, forwards: serving.forwards || waiting + parked > 0 });
    sendPage(res, { title: 'Not at the EHR yet', section: '/review/unsent', content });
  };
}

async function inWords(item: OutboxItem, { directory, nowMs, zone, ...around }: ReadingSurroundings): Promise<UnsentItem> {
  const { number, state, person, queuedAt, tries, dueMs, reason, blockedBy } = item;
  const queuedMs = Date.parse(queuedAt);
  return {
    number,
    isParked: state === 'parked',
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
