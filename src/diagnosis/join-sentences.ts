/** What is said of devices that ask to join. */

import type { Sentence } from "../contract/index.ts";
import type { JoiningDevice } from "../contract/joins.ts";

type Counts = Pick<JoiningDevice, "requests" | "accepted" | "late" | "unanswered">;

const times = (n: number) => (n === 1 ? "once" : `${n.toLocaleString("en-GB")} times`);

/** "asked 12 times: let in twice, 3 answers too late, 7 unanswered". `devAddr`: null where it is not known. */
export function joinClause({ requests, accepted, late, unanswered }: Counts, devAddr: string | null): string {
  const asked = `asked ${times(requests)}`;
  if (accepted === null) {
    return devAddr === null ? `${asked}; answers are not visible here` : `${asked}; goes on as ${devAddr}`;
  }
  const parts = [
    ...(accepted > 0 ? [`let in ${times(accepted)}`] : []),
    ...((late ?? 0) > 0 ? [`${late} answered too late`] : []),
    ...((unanswered ?? 0) > 0 ? [`${unanswered} unanswered`] : []),
  ];
  return `${asked}: ${parts.join(", ")}${devAddr === null ? "" : `; goes on as ${devAddr}`}`;
}

/** "3 devices asked to join; 1 was not let in." */
export function joinsSentence(joins: readonly Counts[], areAnswersSeen: boolean): Sentence {
  if (joins.length === 0) return [{ text: "No device asked to join in this window." }];
  const who = joins.length === 1 ? "1 device" : `${joins.length.toLocaleString("en-GB")} devices`;
  if (!areAnswersSeen) {
    return [
      { text: `${who} asked to join. Answers are not visible here: record both directions to see them.` },
    ];
  }
  const shut = joins.filter(({ accepted }) => accepted === 0).length;
  const rest = shut === 0 ? "each was let in" : shut === 1 ? "1 was not let in" : `${shut} were not let in`;
  return [{ text: `${who} asked to join; ${rest}.` }];
}
