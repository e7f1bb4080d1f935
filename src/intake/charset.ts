/**
 * Bytes of a message to text, in the character set that it names (HL7 v2 chapter 2, MSH-18, table
 * 0211). Nothing is replaced: a byte that the set does not have makes the message unreadable.
 */

export type Charset = 'ASCII' | '8859/1' | 'UNICODE UTF-8';

export type Decoded =
  | { readonly ok: true; readonly text: string; readonly charset: Charset; readonly decode: (bytes: Buffer) => string | undefined }
  | { readonly ok: false; readonly problem: string };

/** Names of table 0211, and the one without its prefix that many senders write. */
const NAMES: Readonly<Record<string, Charset | undefined>> = {
  // where nothing is said the set is ASCII; UTF-8 holds it, and refuses what is neither
  '': 'UNICODE UTF-8',
  ASCII: 'ASCII',
  '8859/1': '8859/1',
  'UNICODE UTF-8': 'UNICODE UTF-8',
  'UTF-8': 'UNICODE UTF-8',
};

const UTF8_BOM = Buffer.from([0xef, 0xbb, 0xbf]);
/** FHIR R4, Datatypes, string, has none of these; segments end with CR, and with LF at some senders. */
export const CONTROL_CHARACTER = /[\u0000-\u0008\u000B\u000C\u000E-\u001F\u007F]/;

/** The bytes behind a byte order mark, if there is one. */
export function withoutMark(bytes: Buffer): Buffer {
  return bytes.subarray(0, UTF8_BOM.length).equals(UTF8_BOM) ? bytes.subarray(UTF8_BOM.length) : bytes;
}

/** @param bytes a message without its block */
export function decodeMessage(bytes: Buffer): Decoded {
  const body = withoutMark(bytes);
  const named = charsetNamed(body);
  const charset = NAMES[named];
  if (charset === undefined)
    return { ok: false, problem: 'The character set in MSH-18 is none that is read here. Send UNICODE UTF-8, 8859/1 or ASCII.' };
  const decode = DECODERS[charset];
  const text = decode(body);
  if (text === undefined) return { ok: false, problem: `The bytes are not ${charset}. Name the character set that is sent in MSH-18.` };
  if (CONTROL_CHARACTER.test(text))
    return { ok: false, problem: 'There are control characters in the message. Send text, with the escape sequences of HL7.' };
  return { ok: true, text, charset, decode };
}

/** MSH-18, first repetition. All sets that are read here agree on the bytes that it is written with. */
function charsetNamed(body: Buffer): string {
  const end = body.findIndex((byte) => byte === 0x0d || byte === 0x0a);
  const header = body.subarray(0, end < 0 ? body.length : end).toString('latin1');
  const [separator, repetition] = [header[3] ?? '|', header[5] ?? '~'];
  const [first = ''] = (header.split(separator)[17] ?? '').split(repetition);
  return first.trim();
}

const utf8 = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true });

const DECODERS: Readonly<Record<Charset, (bytes: Buffer) => string | undefined>> = {
  ASCII: (bytes) => (bytes.every((byte) => byte < 0x80) ? bytes.toString('latin1') : undefined),
  // a TextDecoder would read windows-1252 here (WHATWG Encoding Standard, "latin1")
  '8859/1': (bytes) => bytes.toString('latin1'),
  'UNICODE UTF-8': (bytes) => {
    try {
      return utf8.decode(bytes);
    } catch {
      return undefined;
    }
  },
};

/** Text to bytes; what the set does not have becomes a question mark. */
export function encode(text: string, charset: Charset): Buffer {
  if (charset === 'UNICODE UTF-8') return Buffer.from(text, 'utf8');
  const beyond = charset === 'ASCII' ? /[^\u0000-\u007F]/gu : /[^\u0000-\u00FF]/gu;
  return Buffer.from(text.replace(beyond, '?'), 'latin1');
}
