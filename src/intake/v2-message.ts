/**
 * An HL7 v2 message in its delimited form: segments, fields, repetitions, components,
 * subcomponents and escape sequences (HL7 v2.5.1 chapter 2, sections 2.5 to 2.7).
 *
 * Our own, since the best parser of the registry that runs here (node-hl7-client 2.3.1, which the
 * tests take as a peer) holds what is well formed to the letter, but not what is hostile: a
 * hexadecimal escape of odd length throws a RangeError, one that is no hexadecimal becomes U+0000,
 * the bytes of all are read as Latin-1 whatever MSH-18 says, an empty line makes every look-up
 * throw, and 5,000 segments or 200,000 repetitions take more than half a second of everybody's time.
 */
import { CONTROL_CHARACTER, withoutMark } from './charset.ts';

export interface Encoding {
  readonly field: string;
  readonly component: string;
  readonly repetition: string;
  /** Empty where the sender has none. */
  readonly escape: string;
  readonly subcomponent: string;
}

export interface Message {
  readonly encoding: Encoding;
  readonly header: Segment;
  readonly segments: readonly Segment[];
}

export type Parsed = { readonly ok: true; readonly message: Message } | { readonly ok: false; readonly problem: string };

/** Of field separator, then MSH-2: what the standard recommends. */
export const STANDARD_ENCODING: Encoding = { field: '|', component: '^', repetition: '~', escape: '\\', subcomponent: '&' };

/** The two double quotes that say "delete what you have" (section 2.5.3): here as good as nothing. */
const NULL = '""';
/** Nobody has more identifiers; what comes behind is not looked at. */
const MOST_REPETITIONS = 100;

export class Segment {
  readonly name: string;
  /** Which one of its name it is, from 1. */
  readonly sequence: number;
  readonly #fields: readonly string[];
  readonly #reading: Reading;

  constructor(name: string, sequence: number, fields: readonly string[], reading: Reading) {
    this.name = name;
    this.sequence = sequence;
    this.#fields = fields;
    this.#reading = reading;
  }

  /** How often a field is repeated; 0 when it is empty. */
  repetitions(field: number): number {
    return this.#repeated(field).length;
  }

  /** Unescaped and trimmed; empty when it is not there or null. All numbers from 1, as the standard counts. */
  text(field: number, component = 1, subcomponent = 1, repetition = 1): string {
    const { encoding } = this.#reading;
    const repeated = this.#repeated(field)[repetition - 1] ?? '';
    const part = repeated.split(encoding.component)[component - 1] ?? '';
    const raw = (part.split(encoding.subcomponent || encoding.component)[subcomponent - 1] ?? '').trim();
    return raw === NULL ? '' : unescape(raw, this.#reading);
  }

  #repeated(field: number): string[] {
    const raw = this.#fields[field] ?? '';
    if (raw === '' || raw === NULL) return [];
    const { repetition } = this.#reading.encoding;
    return repetition === '' ? [raw] : raw.split(repetition, MOST_REPETITIONS);
  }
}

/** What text is read with. */
interface Reading {
  readonly encoding: Encoding;
  /** Bytes of a hexadecimal escape, in the message's character set. */
  readonly decode: (bytes: Buffer) => string | undefined;
}

const MOST_SEGMENTS = 10_000;

/**
 * @param text of one message, segments ended by CR, LF or both
 * @param decode of bytes in the message's character set; undefined for those that are none
 */
export function parseMessage(text: string, decode: Reading['decode']): Parsed {
  const lines = text.split(/\r\n|\r|\n/, MOST_SEGMENTS + 1);
  const header = lines[0] ?? '';
  if (!header.startsWith('MSH')) return { ok: false, problem: 'A message begins with the segment MSH. Send one ORU^R01 in each block.' };
  if (lines.length > MOST_SEGMENTS)
    return { ok: false, problem: `A message may have ${MOST_SEGMENTS} segments at most. Send several messages.` };
  const encoding = encodingOf(header);
  if (encoding === undefined)
    return { ok: false, problem: 'The separators in MSH-1 and MSH-2 cannot be told apart. Send |^~\\&, or others that differ.' };
  const reading = { encoding, decode };
  const segments: Segment[] = [];
  const counts = new Map<string, number>();
  for (const line of lines) {
    if (line.trim() === '') continue;
    const fields = line.split(encoding.field);
    const name = fields[0] ?? '';
    if (!/^[A-Z][A-Z0-9]{2}$/.test(name) || (name === 'MSH' && segments.length > 0))
      return { ok: false, problem: 'A line begins with no segment name, or a second message begins. Send one message in each block.' };
    const sequence = (counts.get(name) ?? 0) + 1;
    counts.set(name, sequence);
    // MSH-1 is the separator itself, so that all that follows is one further on than in other segments
    segments.push(new Segment(name, sequence, name === 'MSH' ? ['', encoding.field, ...fields.slice(1)] : fields, reading));
  }
  return { ok: true, message: { encoding, header: segments[0] as Segment, segments } };
}

/** MSH of a message that cannot be used otherwise, so that its answer can name it; undefined when there is none. Letters beyond ASCII are guessed. */
export function headerOf(bytes: Buffer): Segment | undefined {
  const end = bytes.findIndex((byte) => byte === 0x0d || byte === 0x0a);
  if (end < 0) return undefined;
  const parsed = parseMessage(withoutMark(bytes.subarray(0, end)).toString('latin1'), () => undefined);
  return parsed.ok ? parsed.message.header : undefined;
}

/** Undefined when a separator stands for two things, or is a letter, a digit, a space or no ASCII. */
function encodingOf(header: string): Encoding | undefined {
  const field = header[3] ?? '';
  const characters = header.slice(4).split(field, 1)[0] ?? '';
  const all = [field, ...characters.split('')];
  const areFit = all.every((one) => /^[!-/:-@[-`{-~]$/.test(one)) && new Set(all).size === all.length;
  if (!areFit || characters.length < 1 || characters.length > 5) return undefined;
  const [component = '', repetition = '', escape = '', subcomponent = ''] = characters;
  return { field, component, repetition, escape, subcomponent };
}

/** Section 2.7. An escape that is unknown or broken stays as it was written. */
function unescape(raw: string, { encoding, decode }: Reading): string {
  const { escape } = encoding;
  if (escape === '' || !raw.includes(escape)) return raw;
  const parts = raw.split(escape);
  let text = parts[0] ?? '';
  for (let at = 1; at < parts.length; at += 1) {
    const code = parts[at] ?? '';
    const meant = at + 1 < parts.length ? meaningOf(code, encoding, decode) : undefined;
    if (meant === undefined) text += escape + code;
    else {
      // the part behind the closing escape is text again
      at += 1;
      text += meant + (parts[at] ?? '');
    }
  }
  return text;
}

function meaningOf(code: string, encoding: Encoding, decode: Reading['decode']): string | undefined {
  switch (code) {
    case 'F':
      return encoding.field;
    case 'S':
      return encoding.component;
    case 'T':
      return encoding.subcomponent;
    case 'R':
      return encoding.repetition;
    case 'E':
      return encoding.escape;
    // begin and end of what is to be highlighted
    case 'H':
    case 'N':
      return '';
    default:
      return /^X([0-9A-Fa-f]{2})+$/.test(code) ? textOf(decode(Buffer.from(code.slice(1), 'hex'))) : undefined;
  }
}

/** A control character must not come in by an escape either: nobody could read again what was stored with it. */
function textOf(decoded: string | undefined): string | undefined {
  return decoded === undefined || CONTROL_CHARACTER.test(decoded) ? undefined : decoded;
}

/** Text as it may stand in a field of a message with the standard separators. */
export function escaped(text: string): string {
  return text
    .replace(/[\\|^~&]/g, (character) => `\\${ESCAPES[character] ?? ''}\\`)
    .replace(/[\r\n]+/g, ' ')
    .replace(/[\u0000-\u001F\u007F]/g, '');
}

const ESCAPES: Readonly<Record<string, string>> = { '\\': 'E', '|': 'F', '^': 'S', '~': 'R', '&': 'T' };
