/** An address that is taken or not ours: the start failed, and nothing is wrong with the settings as such. */
export class CannotListen extends Error {
  /** Of the settings that say where. */
  readonly settings: string;
  /** Of the system. */
  readonly code: string | undefined;

  constructor(settings: string, code: string | undefined) {
    super('cannot listen');
    this.name = 'CannotListen';
    this.settings = settings;
    this.code = code;
  }
}
