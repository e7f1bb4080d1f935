/** A raised hand: `wait` ends at once when it was raised since the last wait, else when it is, or after a time. */
export class WakeSignal {
  #isRaised = false;
  #release: (() => void) | undefined;

  raise(): void {
    this.#isRaised = true;
    this.#release?.();
  }

  async wait(longestMs: number): Promise<void> {
    if (!this.#isRaised) {
      let timer: NodeJS.Timeout | undefined;
      await new Promise<void>((resolve) => {
        this.#release = resolve;
        timer = setTimeout(resolve, longestMs);
      });
      clearTimeout(timer);
      this.#release = undefined;
    }
    this.#isRaised = false;
  }
}
