/**
 * Files for TLS with certificates on both sides: our own with its key, and the authorities we trust.
 *
 * Read at the start, and again for a new connection once a file has changed, so that a renewed
 * certificate needs no restart. Connections that are open stay as they were made. Files that do
 * not work together (a renewal half done) leave the last good ones in use.
 */
import { X509Certificate } from 'node:crypto';
import { readFileSync, statSync } from 'node:fs';
import { createSecureContext } from 'node:tls';

/** Paths of PEM files. */
export interface TlsPaths {
  readonly caFile?: string;
  readonly certificateFile?: string;
  readonly keyFile?: string;
}

/** As `tls.connect` takes it. */
export interface TlsMaterial {
  readonly ca?: Buffer;
  readonly cert?: Buffer;
  readonly key?: Buffer;
}

/** One of the files cannot be used. The message continues "The file …"; `file` says which, or the pair. */
export class TlsFilesError extends Error {
  readonly file: keyof TlsPaths;
  constructor(file: keyof TlsPaths, problem: string) {
    super(problem);
    this.name = 'TlsFilesError';
    this.file = file;
  }
}

type Line = (fields: Readonly<Record<string, never>>, message: string) => void;

/** A `ForwardLog` is one. */
export interface TlsFilesLog {
  readonly info: Line;
  readonly error: Line;
}

const MS_PER_DAY = 86_400_000;

export class TlsFiles {
  readonly #paths: TlsPaths;
  readonly #log: TlsFilesLog;
  readonly #whom: string;
  #material: TlsMaterial;
  /** Of the files when they were last read, good or not. */
  #stamp: string;

  /**
   * @param whom whom they are for, in the log
   * @throws TlsFilesError when a file cannot be read, is not PEM, or certificate and key are not a pair
   */
  constructor(paths: TlsPaths, log: TlsFilesLog, whom = 'the EHR') {
    this.#paths = paths;
    this.#log = log;
    this.#whom = whom;
    this.#stamp = stampOf(paths);
    this.#material = readMaterial(paths);
  }

  /** The same object until a file changes. */
  current(): TlsMaterial {
    const stamp = stampOf(this.#paths);
    if (stamp === this.#stamp) return this.#material;
    this.#stamp = stamp;
    try {
      this.#material = readMaterial(this.#paths);
      this.#log.info({}, `the certificates for ${this.#whom} were read again`);
    } catch (error) {
      if (!(error instanceof TlsFilesError)) throw error;
      this.#log.error(
        {},
        `the last good certificates for ${this.#whom} stay in use: the file of the ${NAMES[error.file]} ${error.message}`,
      );
    }
    return this.#material;
  }

  /** Days until our certificate expires, below nought afterwards; undefined without one. */
  daysLeft(nowMs: number): number | undefined {
    const { cert } = this.current();
    return cert === undefined ? undefined : (Date.parse(new X509Certificate(cert).validTo) - nowMs) / MS_PER_DAY;
  }
}

const NAMES: Readonly<Record<keyof TlsPaths, string>> = {
  caFile: 'authorities',
  certificateFile: 'certificate',
  keyFile: 'private key',
};

/** Changes whenever a file is written or another takes its name. */
function stampOf(paths: TlsPaths): string {
  return Object.values(paths)
    .map((path: string) => {
      try {
        const { mtimeMs, size, ino } = statSync(path);
        return `${mtimeMs} ${size} ${ino}`;
      } catch {
        return 'missing';
      }
    })
    .join(';');
}

function readMaterial(paths: TlsPaths): TlsMaterial {
  const ca = readPem(paths, 'caFile');
  const cert = readPem(paths, 'certificateFile');
  const key = readPem(paths, 'keyFile');
  if (ca !== undefined) attempt('caFile', 'holds no certificate (PEM)', () => new X509Certificate(ca));
  if (cert !== undefined) attempt('certificateFile', 'holds no certificate (PEM)', () => new X509Certificate(cert));
  const material = { ...(ca && { ca }), ...(cert && { cert }), ...(key && { key }) };
  if (key === undefined) attempt('caFile', 'holds a certificate that cannot be used', () => createSecureContext(material));
  else
    attempt('keyFile', 'holds no private key (PEM, without a passphrase) that belongs to the certificate', () =>
      createSecureContext(material),
    );
  return material;
}

function readPem(paths: TlsPaths, file: keyof TlsPaths): Buffer | undefined {
  const path = paths[file];
  if (path === undefined) return undefined;
  try {
    return readFileSync(path);
  } catch (error) {
    const code = error instanceof Error && 'code' in error && typeof error.code === 'string' ? error.code : 'unknown reason';
    throw new TlsFilesError(file, `cannot be read (${code})`);
  }
}

function attempt(file: keyof TlsPaths, problem: string, action: () => unknown): void {
  try {
    action();
  } catch {
    throw new TlsFilesError(file, problem);
  }
}
