/** What should a person know beside the view's own sentence? A line each, with the mark of "look". */
import { StandingMark } from "./StandingMark.tsx";

export function Notices({ notices }: { readonly notices: readonly string[] }) {
  return (
    <>
      {notices.map((sentence) => (
        <p key={sentence} class="notice">
          <StandingMark standing="look" /> {sentence}
        </p>
      ))}
    </>
  );
}
