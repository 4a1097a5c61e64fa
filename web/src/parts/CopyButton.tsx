/** How does text get into the clipboard? By the browser's clipboard, or by a selection where it is not allowed (plain HTTP). */
import { useState } from "preact/hooks";

/** A button that copies and says so. */
export function CopyButton({ words, text }: { words: string; text: () => string }) {
  const [done, setDone] = useState<"" | "copied" | "not copied">("");
  const copy = async () => {
    const worked = await copyText(text());
    setDone(worked ? "copied" : "not copied");
    setTimeout(() => setDone(""), 2000);
  };
  return (
    <span>
      <button type="button" class="link small" onClick={() => void copy()}>
        {words}
      </button>
      <span class="small quiet" role="status">
        {done === "" ? "" : ` ${done}`}
      </span>
    </span>
  );
}

async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    const area = document.createElement("textarea");
    area.value = text;
    area.className = "unseen";
    document.body.append(area);
    area.select();
    const worked = document.execCommand("copy");
    area.remove();
    return worked;
  }
}
