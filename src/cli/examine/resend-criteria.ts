/** What is judged of what a gateway does after an answer, and after none. */
import {
  cameAgain,
  every,
  faulted,
  handedOver,
  NOT_SEEN,
  right,
  stayedAway,
  worst,
  wrong,
  type Criterion,
  type Finding,
  type Heard,
} from './criterion.ts';
import { digestOf, keyOf, type Exchange } from './exchange.ts';

const CONTRACT = 'docs/verdicts.md';
const PRACTICE = 'common practice, no source';

export const RESEND_CRITERIA: readonly Criterion[] = [
  {
    id: 'after-503',
    level: 'must',
    asks: 'After 503 the reading is kept, and sent again unchanged once Retry-After is over',
    source: `RFC 9110 section 10.2.3; ${CONTRACT}`,
    remedy: 'Keep the reading until it is answered 2xx, 409 or 422; wait as long as Retry-After says.',
    judge: (heard) => cameAgain(heard, 'busy'),
  },
  {
    id: 'after-429',
    level: 'must',
    asks: 'After 429 likewise, where Retry-After is a date',
    source: `RFC 6585 section 4; RFC 9110 section 10.2.3; ${CONTRACT}`,
    remedy: 'Read both forms of Retry-After: seconds, and an HTTP date.',
    judge: (heard) => cameAgain(heard, 'throttled'),
  },
  {
    id: 'after-lost',
    level: 'must',
    asks: 'After a connection that broke before the answer, the same reading is sent again under the same identifier',
    source: CONTRACT,
    remedy: 'No answer means unknown: send the same bytes again. The service stores no second copy.',
    judge: (heard) => cameAgain(heard, 'lost'),
  },
  {
    id: 'backoff',
    level: 'should',
    asks: 'The second wait is not shorter than the first',
    source: PRACTICE,
    remedy: 'Double the wait after each failure, up to minutes, and add a random part.',
    judge: waitsLonger,
  },
  {
    id: 'slow',
    level: 'must',
    asks: 'A slow answer is waited for, and the reading not sent a second time meanwhile',
    source: CONTRACT,
    remedy: 'Wait 30 s at the least before giving up an answer.',
    judge: waitedFor,
  },
  {
    id: 'after-202',
    level: 'must',
    asks: 'After 202 (held) the reading is not sent again',
    source: CONTRACT,
    remedy: 'Take 202 as taken over, and show its reason while the person is there.',
    judge: (heard) => stayedAway(heard, 'held'),
  },
  {
    id: 'after-422',
    level: 'must',
    asks: 'After 422 (refused) the reading is not sent again unchanged',
    source: CONTRACT,
    remedy: 'Show the reason; correct the cause and send a new reading.',
    judge: (heard) => stayedAway(heard, 'refused'),
  },
  {
    id: 'after-201',
    level: 'should',
    asks: 'What was answered 201 is not sent again',
    source: CONTRACT,
    remedy: 'Mark the reading as taken over once 201 or 200 has come.',
    judge: sentOnce,
  },
];

function waitsLonger(heard: Heard): Finding {
  return worst(
    faulted(heard, 'busy').map(({ met, resends: [second, third] }) => {
      if (second?.fault !== 'busy' || third === undefined) return NOT_SEEN;
      const [first, next] = [second.arrivedMs - met.endedMs, third.arrivedMs - second.endedMs];
      const said = `It waited ${(first / 1000).toFixed(1)} s, then ${(next / 1000).toFixed(1)} s.`;
      // whoever does not wait as long as it is told has no wait that could grow
      const isPatient = second.arrivedMs >= (met.notBeforeMs ?? 0) && third.arrivedMs >= (second.notBeforeMs ?? 0);
      // a tenth for the clock's grain
      return isPatient && next >= first * 0.9 ? right(said) : wrong(said);
    }),
  );
}

function waitedFor(heard: Heard): Finding {
  return worst(
    faulted(heard, 'slow').map(({ met, resends }) => {
      if (resends.some(({ arrivedMs }) => arrivedMs < met.endedMs)) return wrong('It was sent a second time before the answer.');
      return met.status === undefined ? wrong('The gateway hung up before the answer.') : right('The answer was waited for.');
    }),
  );
}

function sentOnce(heard: Heard): Finding {
  const calls = handedOver(heard);
  const taken = calls.filter(({ status }) => status === 201);
  const isAgain = (first: Exchange): boolean =>
    calls.some((later) => later.arrivedMs > first.endedMs && keyOf(later) === keyOf(first) && digestOf(later) === digestOf(first));
  return every(taken, (first) => !isAgain(first), 'readings that were answered 201 were not sent again');
}
