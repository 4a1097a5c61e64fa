/** Is the phone's screen kept on? By the browser's screen wake lock, taken again whenever the page comes back in sight. */
import { useEffect, useState } from "preact/hooks";

/** "asking" at first; "none": this browser keeps no screen on here, as on plain HTTP from another computer. */
export type ScreenState = "asking" | "kept" | "none";

/** Keeps the screen on while the part that calls it is shown. */
export function useScreenKept(): ScreenState {
  const [state, setState] = useState<ScreenState>("asking");
  useEffect(() => {
    let lock: WakeLockSentinel | null = null;
    let over = false;
    const take = async () => {
      // Browsers release it when the page is hidden.
      if (document.hidden || (lock !== null && !lock.released)) return;
      try {
        // Missing where the page is no secure context.
        const taken = await (navigator as { wakeLock?: WakeLock }).wakeLock?.request("screen");
        if (taken === undefined) return setState("none");
        if (over) return void taken.release();
        lock = taken;
        setState("kept");
      } catch {
        setState("none");
      }
    };
    const back = () => void take();
    document.addEventListener("visibilitychange", back);
    void take();
    return () => {
      over = true;
      document.removeEventListener("visibilitychange", back);
      void lock?.release();
    };
  }, []);
  return state;
}
