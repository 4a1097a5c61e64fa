/**
 * States of the live line that a real service does not come into when a test wants it to: a line that is refused, a
 * topic that stays silent, a message that is lost, an answer with one thing changed. It stands between the page and
 * the real service and passes everything else on.
 */
import type { WebSocketRoute } from "playwright-core";
import type { ClientMessage, ServerMessage, Topic } from "../../src/contract/live.ts";

type Change = (view: Record<string, unknown>) => object;

export class LiveLine {
  /** False: refused, again and again. */
  isUp = true;
  /** Nothing of these topics reaches the page. */
  silent: readonly Topic[] = [];
  /** So many of the next deltas are lost. */
  lost = 0;
  /** What the page sent. */
  readonly heard: ClientMessage[] = [];
  readonly #changes = new Map<Topic, Change>();
  /** Asks the service for a new snapshot of a topic. */
  readonly #again = new Map<Topic, () => void>();

  calm(): void {
    this.isUp = true;
    this.silent = [];
    this.lost = 0;
    this.heard.length = 0;
    this.#changes.clear();
    this.#again.clear();
  }

  /** From now on the page sees a topic's answer changed so; a snapshot of it is asked for where it shows it already. */
  change(topic: Topic, change: Change): void {
    this.#changes.set(topic, change);
    this.#again.get(topic)?.();
  }

  attach(page: WebSocketRoute): void {
    if (!this.isUp) {
      void page.close();
      return;
    }
    const service = page.connectToServer();
    const topics = new Map<number, Topic>();
    page.onMessage((text) => {
      const message = JSON.parse(String(text)) as ClientMessage;
      this.heard.push(message);
      if (message.type === "subscribe") {
        const { id, topic } = message;
        topics.set(id, topic);
        this.#again.set(topic, () => service.send(JSON.stringify({ type: "resync", id })));
      }
      service.send(text);
    });
    service.onMessage((text) => {
      const message = JSON.parse(String(text)) as ServerMessage;
      const topic = message.id === null ? undefined : topics.get(message.id);
      if (topic !== undefined && this.silent.includes(topic)) return;
      const change = topic === undefined ? undefined : this.#changes.get(topic);
      if (message.type === "delta" && this.lost > 0) {
        this.lost -= 1;
      } else if (change === undefined) {
        page.send(text);
      } else if (message.type === "snapshot") {
        const view = change(message.view as Record<string, unknown>);
        page.send(JSON.stringify({ ...message, view }));
      }
      // What changed beneath a changed answer is not shown: it would be changed back.
    });
  }
}
