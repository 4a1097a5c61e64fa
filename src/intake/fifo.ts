/** First in, first out, at a cost that does not depend on how many wait (Array.shift moves all of them). */
export class Fifo<T> {
  #items: (T | undefined)[] = [];
  #at = 0;

  get length(): number {
    return this.#items.length - this.#at;
  }

  /** The oldest; undefined when empty. */
  get head(): T | undefined {
    return this.#items[this.#at];
  }

  push(item: T): void {
    this.#items.push(item);
  }

  /** Takes the oldest out; undefined when empty. */
  shift(): T | undefined {
    const item = this.#items[this.#at];
    if (this.#at === this.#items.length) return undefined;
    this.#items[this.#at] = undefined;
    this.#at += 1;
    if (this.#at === this.#items.length) {
      this.#items = [];
      this.#at = 0;
    } else if (this.#at > 1_024 && this.#at * 2 > this.#items.length) {
      this.#items = this.#items.slice(this.#at);
      this.#at = 0;
    }
    return item;
  }

  clear(): void {
    this.#items = [];
    this.#at = 0;
  }
}
