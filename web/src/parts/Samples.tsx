/** Which sample sites come with the program? One click reads one in and goes to its hours. */
import { useState } from "preact/hooks";
import type { SampleRow } from "../../../src/contract/service.ts";
import { windowWords } from "../format.ts";
import { postEmpty, problemWords } from "../state/api.ts";
import { linkTo } from "../state/route.ts";
import { storedWindow } from "../state/window.ts";
import { Button } from "./form.tsx";
import "./Samples.css";

/** The samples, each with its button. */
export function Samples({ samples }: { samples: readonly SampleRow[] }) {
  const [busy, setBusy] = useState<string | null>(null);
  const [trouble, setTrouble] = useState<string | null>(null);
  const open = async (sample: SampleRow) => {
    setBusy(sample.file);
    setTrouble(null);
    const answer = await postEmpty(`/api/samples/${encodeURIComponent(sample.file)}`);
    setBusy(null);
    if (answer.ok)
      location.hash = linkTo("/site", {}, storedWindow(Date.parse(sample.from), Date.parse(sample.to)));
    else setTrouble(problemWords(answer.problem));
  };
  if (samples.length === 0) return <p class="quiet">No sample came with this installation.</p>;
  return (
    <>
      <ul class="samples">
        {samples.map((sample) => (
          <li key={sample.file}>
            <div>
              <strong>{sample.title}</strong>
              <p>{sample.sentence}</p>
              <p class="quiet small">{windowWords(Date.parse(sample.from), Date.parse(sample.to))}</p>
            </div>
            <Button class="plain first" disabled={busy !== null} onClick={() => void open(sample)}>
              {busy === sample.file ? "opening" : "open"}
              <span class="unseen"> {sample.title}</span>
            </Button>
          </li>
        ))}
      </ul>
      {trouble === null ? null : (
        <p class="notice notice-bad" role="alert">
          ✕ {trouble}
        </p>
      )}
    </>
  );
}
