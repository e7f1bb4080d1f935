/**
 * `POST /review/readings/{id}/decide`: a decision by form. It becomes the Parameters of `$decide` or
 * `$claim` and goes the very way that those go; the page adds no judgement of its own.
 */
import type * as fhir4 from 'fhir/r4.js';
import { DECISION_CODES } from '../../core/decision.ts';
import { parseDecimal } from '../../core/decimal.ts';
import { exactNumber, stringifyExact, type Exact, type JsonObject } from '../../core/json.ts';
import { isUnitCode } from '../../core/quantity.ts';
import { SYSTEM } from '../../core/terminology.ts';
import type { HeldAnswer } from '../../ingest.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import { confirmView, type FilledDecision } from '../../review/decisions.ts';
import { amountInFull, UNIT_WORDS } from '../../review/words.ts';
import { TO_DECIDE } from '../auth/needs.ts';
import { idOf } from '../path-id.ts';
import { callOf, notesOf } from '../request-notes.ts';
import type { Handler, Request, Response } from '../serving.ts';
import { personInWords } from './directory.ts';
import { textOf, versionIn } from './form-fields.ts';
import { mayNot } from './may-not.ts';
import type { PageParts } from './page-parts.ts';
import { problemIn, showReading, type Done } from './reading-page.ts';
import { goTo, sendPage } from './send-page.ts';
import { formOf, visitorOf } from './visitor.ts';

type FormCode = (typeof DECISION_CODES)[number] | 'claim';

const CODES: readonly FormCode[] = [...DECISION_CODES, 'claim'];

const SAYS: Readonly<Record<FormCode, Done>> = {
  keep: 'kept',
  correct: 'corrected',
  'wrong-person': 'moved',
  discard: 'discarded',
  'weigh-again': 'asked',
  claim: 'claimed',
};

export function decideByForm(parts: PageParts): Handler {
  return async (req, res) => {
    const form = formOf(req);
    const code = CODES.find((one) => one === form.get('decision'));
    const filled = filledIn(form);
    const again = (status: number, problem: string): Promise<void> => showReading(parts, req, res, { status, problem, filled });
    const refusal = mayNot(res, TO_DECIDE);
    if (refusal) return again(refusal.row.status, refusal.message);
    if (code === undefined) return again(400, 'Choose what is to be done.');
    const missing = missingIn(code, form);
    if (missing !== undefined) return again(422, missing);
    if (asksForPerson(code) && !form.has('patient')) return confirmPerson(parts, req, res, code, filled);
    try {
      const answer = await send(parts, req, res, code, form);
      if (answer.observation === undefined) await again(answer.status, issuesOf(answer));
      else goTo(res, `/review/readings/${idOf(req)}?done=${SAYS[code]}`);
    } catch (error) {
      const { status, problem } = problemIn(error);
      await again(status, status === 412 ? CHANGED : problem);
    }
  };
}

const CHANGED = 'Somebody changed or decided it while you looked at it. Nothing of yours was stored: look at it as it is now.';

function asksForPerson(code: FormCode): code is 'wrong-person' | 'claim' {
  return code === 'wrong-person' || code === 'claim';
}

function filledIn(form: URLSearchParams): FilledDecision {
  const text = (name: string): Record<string, string> => {
    const value = form.get(name);
    return value === null ? {} : { [name]: value };
  };
  return { decision: form.get('decision') ?? '', ...text('reason'), ...text('who'), ...text('value'), ...text('unit'), ...text('person') };
}

/** What the form lacks, in words; undefined when nothing. */
function missingIn(code: FormCode, form: URLSearchParams): string | undefined {
  const needsReason = code !== 'weigh-again' && code !== 'claim';
  if (needsReason && textOf(form, 'reason') === '') return 'Say why: the reason is kept with the decision.';
  if (asksForPerson(code) && !form.has('patient') && textOf(form, 'person') === '') return 'Scan the wristband, or type what stands on it.';
  if (code !== 'correct') return undefined;
  const value = textOf(form, 'value');
  if (value.includes(',')) return 'Write the decimal point as a point, as the scale shows it: 70.5.';
  if (parseDecimal(value) === undefined) return 'Write the right value in digits, as the scale shows it: 70.5.';
  return isUnitCode(form.get('unit') ?? '') ? undefined : 'Choose the unit of the value.';
}

/** Whom a scanned identifier names, to be looked at before anything is moved. */
async function confirmPerson(
  parts: PageParts,
  req: Request,
  res: Response,
  code: 'wrong-person' | 'claim',
  filled: FilledDecision,
): Promise<void> {
  const { read } = parts.surroundings();
  const [patient, another] = await read.idsByIdentifier('Patient', { value: textOf(formOf(req), 'person') }, 2);
  const stored = patient === undefined || another !== undefined ? undefined : await read.current('Patient', patient);
  const reading = await read.readingOf(idOf(req));
  if (stored === undefined || reading === undefined) {
    const problem =
      another === undefined
        ? 'Nobody is known by that identifier. Scan the wristband again; a person must be registered (PUT Patient) before a reading can be theirs.'
        : 'More than one person is known by that identifier. Nothing was moved: have their records put right first.';
    return showReading(parts, req, res, { status: 422, problem, filled });
  }
  const person = personInWords(`Patient/${stored.id}`, treeOf(stored) as unknown as Exact<fhir4.Patient>);
  const { concerned, caller } = notesOf(res);
  concerned.push(person.key, reading.person);
  const content = confirmView({
    id: reading.id,
    version: versionIn(formOf(req)),
    formToken: visitorOf(res).formToken,
    asksWho: caller.person === undefined,
    decision: code,
    patient: stored.id,
    name: person.name,
    amount: reading.quantity ? amountInFull(reading.quantity, reading.of) : 'No value',
    ...(person.born !== undefined && { born: person.born }),
    ...(person.identifier !== undefined && { identifier: person.identifier }),
    ...(filled.reason !== undefined && { reason: filled.reason }),
    ...(filled.who !== undefined && { who: filled.who }),
  });
  sendPage(res, { title: 'Is this the person?', section: '/review', content });
}

function send({ serving }: PageParts, req: Request, res: Response, code: FormCode, form: URLSearchParams): Promise<HeldAnswer> {
  const parameters = parametersOf(code, form, notesOf(res).caller.person !== undefined);
  const asked = [idOf(req), parameters, stringifyExact(parameters), versionIn(form)] as const;
  const intake = serving.intake(callOf(res));
  return code === 'claim' ? intake.claim(...asked) : intake.decide(...asked);
}

/** The Parameters of the operation (see `ingest/parameters.ts`). */
function parametersOf(code: FormCode, form: URLSearchParams, isSignedIn: boolean): JsonObject {
  const reason = textOf(form, 'reason');
  const patient = form.get('patient');
  const unit = form.get('unit') ?? '';
  const parameter = [
    ...(code === 'claim' ? [] : [{ name: 'decision', valueCode: code }]),
    ...(reason === '' || code === 'claim' ? [] : [{ name: 'reason', valueString: reason }]),
    ...(isSignedIn ? [] : [{ name: 'who', valueString: textOf(form, 'who') }]),
    ...(code === 'correct'
      ? [
          {
            name: 'value',
            valueQuantity: {
              value: exactNumber(textOf(form, 'value')),
              unit: isUnitCode(unit) ? UNIT_WORDS[unit] : unit,
              system: SYSTEM.ucum,
              code: unit,
            },
          },
        ]
      : []),
    ...(asksForPerson(code) && patient !== null ? [{ name: 'subject', valueReference: { reference: `Patient/${patient}` } }] : []),
  ];
  return { resourceType: 'Parameters', parameter };
}

/** `POST /review/readings/{id}/undo`: takes the last decision back, by `$undo`. */
export function undoByForm(parts: PageParts): Handler {
  return async (req, res) => {
    const form = formOf(req);
    const again = (status: number, problem: string): Promise<void> =>
      showReading(parts, req, res, { status, problem, filled: filledIn(form) });
    const { caller } = notesOf(res);
    const refusal = mayNot(res, TO_DECIDE);
    if (refusal) return again(refusal.row.status, refusal.message);
    const parameter = caller.person === undefined ? [{ name: 'who', valueString: textOf(form, 'who') }] : [];
    const parameters: JsonObject = { resourceType: 'Parameters', ...(parameter.length > 0 && { parameter }) };
    try {
      const answer = await parts.serving.intake(callOf(res)).undo(idOf(req), parameters, stringifyExact(parameters), versionIn(form));
      if (answer.observation === undefined) await again(answer.status, issuesOf(answer));
      else goTo(res, `/review/readings/${idOf(req)}?done=undone`);
    } catch (error) {
      const { status, problem } = problemIn(error);
      await again(status, status === 412 ? CHANGED : problem);
    }
  };
}

/** Why a rule would not have it. */
export function issuesOf({ outcome }: Pick<HeldAnswer, 'outcome'>): string {
  return outcome.issue
    .filter(({ severity }) => severity === 'error')
    .map(({ diagnostics = '' }) => diagnostics)
    .join(' ');
}
