// Setting up: the pose that comes next, how still it is held, what the poses say of each other.

import { drawPose } from "./poses.js";
import { $, fill, made, put, words as w } from "./screen.js";

const ROLES = { forearm: w.arm, hand: w.hand, club: w.club };

export function showGuide(page, message) {
  page.guide = message.finished ? null : message;
  const guide = page.guide, opened = guide && $("guide").hidden;
  $("guide").hidden = !guide;
  $("instrument").hidden = !!guide;
  if (opened) window.scrollTo(0, 0); // its button stands lower than what it opens
  if (!guide) return;
  put($("guide-count"), fill(w.step_of, { n: guide.index + 1, of: guide.steps.length }));
  put($("guide-title"), guide.title);
  put($("guide-text"), guide.text);
  drawPose($("pose"), guide.steps[guide.index].key, page.session.handedness === "right"); // the lead arm is the left
  const rule = $("rule");
  if (rule.children.length !== guide.steps.length) rule.replaceChildren(...guide.steps.map(() => made("li")));
  guide.steps.forEach((step, i) => {
    put(rule.children[i], step.title);
    rule.children[i].className = i === guide.index ? "here" : step.done ? "done" : "";
  });
  const moved = guide.moved && !guide.held_s ? guide.moved : null;
  put($("guide-state"), guide.motion ? w.slowly : moved ? w.you_moved : guide.waiting ? w.get_into : w.hold_still);
  const progress = guide.motion
    ? fill(w.turns_of, { n: Math.floor(guide.turns / 2), of: guide.turns_wanted / 2 })
    : moved
      ? fill(w.moved_at, { n: moved.after_s, role: ROLES[moved.role] })
      : fill(w.held_of, { held: guide.held_s.toLocaleString(document.documentElement.lang, { minimumFractionDigits: 1, maximumFractionDigits: 1 }), of: guide.hold_s });
  put($("guide-progress"), progress);
  put($("guide-tip"), moved ? moved.tip : "");
  $("guide-checks").replaceChildren(...guide.checks.map((c) => made("li", `${c.ok ? "✓" : "×"} ${c.what}: ${c.text}`)));
}
