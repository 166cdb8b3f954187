// When a page tells its word: soon after it changed, and every few seconds as a sign of life.
//
// One request at a time: what changes meanwhile goes with the next, which starts as this one
// ends. A word that did not arrive was not told, and a service that started anew knows none.

const BEAT_MS = 3_000;
const DELAY_MS = 60;

export class Teller {
  private beat: ReturnType<typeof setTimeout> | undefined;
  private soon: ReturnType<typeof setTimeout> | undefined;
  private flying = false;
  private again = false;
  private told = "";

  private readonly describe: () => string;
  private readonly deliver: (word: string) => Promise<boolean>;

  /** `describe` says what there is to tell, `deliver` whether it arrived. */
  constructor(describe: () => string, deliver: (word: string) => Promise<boolean>) {
    this.describe = describe;
    this.deliver = deliver;
  }

  /** Tell of a change in a moment; one that is on its way is not put off by more of them. */
  tellSoon(): void {
    this.soon ??= setTimeout(() => {
      this.soon = undefined;
      if (this.describe() !== this.told) void this.tell();
    }, DELAY_MS);
  }

  /** Tell in a moment, changed or not. */
  tellAnew(): void {
    this.told = "";
    this.tellSoon();
  }

  /** Tell now. */
  async tell(): Promise<void> {
    if (this.flying) {
      this.again = true;
      return;
    }
    this.flying = true;
    clearTimeout(this.beat);
    const word = this.describe();
    this.told = word;
    if (!(await this.deliver(word))) this.told = "";
    this.flying = false;
    const again = this.again;
    this.again = false;
    if (again && this.describe() !== this.told) return this.tell();
    this.beat = setTimeout(() => void this.tell(), BEAT_MS);
  }
}
