/** How much does reading a text cost? Counted, not timed: characters looked at one by one, and texts parsed as JSON. */

export interface Work {
  readonly characters: number;
  readonly parses: number;
}

/** What `read` gives, and what it cost. Puts the counted functions back, also when `read` throws. */
export function countWork<Result>(read: () => Result): { readonly result: Result; readonly work: Work } {
  const { charCodeAt } = String.prototype;
  const { parse } = JSON;
  let characters = 0;
  let parses = 0;
  String.prototype.charCodeAt = function (index) {
    characters++;
    return charCodeAt.call(this, index);
  };
  JSON.parse = (text, reviver) => {
    parses++;
    return parse(text, reviver);
  };
  try {
    const result = read();
    return { result, work: { characters, parses } };
  } finally {
    String.prototype.charCodeAt = charCodeAt;
    JSON.parse = parse;
  }
}
