/** How does a capture get in? Dropped on the field or chosen; each file says how far it is and what became of it. */
import { useRef, useState } from "preact/hooks";
import { fileSize, percent } from "../../../src/words/format.ts";
import { problemWords, sendCapture } from "../state/api.ts";
import "./DropZone.css";

interface Sending {
  readonly id: number;
  readonly name: string;
  readonly size: number;
  readonly share: number;
  readonly outcome: "sending" | "sent" | "failed";
  readonly words: string;
}

let nextId = 1;

/** The field for files; `onSent` is called after each that arrived. */
export function DropZone({ onSent }: { onSent: () => void }) {
  const [over, setOver] = useState(false);
  const [files, setFiles] = useState<readonly Sending[]>([]);
  const input = useRef<HTMLInputElement>(null);
  const change = (id: number, part: Partial<Sending>) =>
    setFiles((before) => before.map((file) => (file.id === id ? { ...file, ...part } : file)));

  const send = async (list: FileList | null | undefined) => {
    for (const file of list ?? []) {
      const id = nextId;
      nextId += 1;
      setFiles((before) => [
        ...before,
        { id, name: file.name, size: file.size, share: 0, outcome: "sending", words: "" },
      ]);
      const answer = await sendCapture(file, (share) => change(id, { share }));
      if (answer.ok) {
        change(id, { share: 1, outcome: "sent" });
        onSent();
      } else change(id, { outcome: "failed", words: problemWords(answer.problem) });
    }
  };

  return (
    <section
      class={over ? "drop drop-over" : "drop"}
      aria-label="Read a capture"
      onDragOver={(event) => {
        event.preventDefault();
        setOver(true);
      }}
      onDragLeave={() => setOver(false)}
      onDrop={(event) => {
        event.preventDefault();
        setOver(false);
        void send(event.dataTransfer?.files);
      }}
    >
      <p>
        Drop packet captures here, or{" "}
        <button type="button" class="plain" onClick={() => input.current?.click()}>
          choose files
        </button>
      </p>
      <p class="quiet small">
        pcap, pcapng, gzip of these, or recorded datagrams as JSON lines. They stay on this machine.
      </p>
      <input
        ref={input}
        type="file"
        multiple
        hidden
        aria-label="Capture files"
        onChange={(event) => {
          void send(event.currentTarget.files);
          event.currentTarget.value = "";
        }}
      />
      {files.length === 0 ? null : (
        <ul class="drop-files" aria-live="polite">
          {files.map((file) => (
            <li key={file.id}>
              <span>{file.name}</span> <span class="quiet">{fileSize(file.size)}</span>{" "}
              {file.outcome === "sending" ? (
                <>
                  <progress max={1} value={file.share} aria-label={`Sending ${file.name}`} />{" "}
                  {percent(file.share, 0)} sent
                </>
              ) : file.outcome === "sent" ? (
                <span>✓ sent; being read below</span>
              ) : (
                <span class="drop-failed">✕ {file.words}</span>
              )}
            </li>
          ))}
        </ul>
      )}
    </section>
  );
}
