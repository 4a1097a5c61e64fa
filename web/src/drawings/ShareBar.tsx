/** How large a part is it? A bar on 0 to 100 % with the figure beside it. */
import { percent } from "../format/format.ts";
import "./ShareBar.css";

export function ShareBar({ share }: { share: number }) {
  return (
    <span class="share-bar">
      <svg viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true">
        <path class="share-ground" d="M0 7.5h100" />
        <rect class="share-part" x="0" y="0" width={Math.max(0, Math.min(1, share)) * 100} height="8" />
      </svg>
      <span class="nowrap">{percent(share, 0)}</span>
    </span>
  );
}
