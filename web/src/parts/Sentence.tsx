/** What does a view say first? One sentence, its figures linked to what they rest on. */
import type { Sentence as Words } from "../../../src/contract/common.ts";
import { unbroken } from "../format/format.ts";
import { linkTo } from "../state/route.ts";
import "./Sentence.css";

/** The opening sentence of a view. Links lead inside the dashboard only, whatever the text says. */
export function Sentence({ words }: { words: Words }) {
  return (
    <h1 class="sentence">
      {words.map((part, index) =>
        part.href === undefined ? (
          unbroken(part.text)
        ) : (
          <a key={`${index}-${part.href}`} href={linkTo(part.href)}>
            {unbroken(part.text)}
          </a>
        ),
      )}
    </h1>
  );
}
