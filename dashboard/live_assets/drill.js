// The drill: what to do next, the student's own estimate before the number, the tries so far.

import { drawSmall } from "./level.js";
import { $, fill, made, put, sided, verdictWord, withDoubt, words as w } from "./screen.js";

const STAGES = ["range", "ready", "ask", "told", "done"];

export function showPractice(page, message, tell) {
  page.practice = message.stage ? message : null;
  const practice = page.practice;
  $("skip-drill").hidden = !practice || practice.stage !== "try";
  $("drill-panel").hidden = !practice && !(page.room && page.room.drills && page.room.drills.length);
  if (!practice) {
    $("stage").hidden = true;
    $("board").hidden = false;
    $("tries").replaceChildren();
    put($("feedback"), "");
    offerDrills(page, tell);
    return;
  }
  showLoad(practice);
  $("drills").replaceChildren(...practice.drills.map(drillLine));
  $("tries").replaceChildren(...practice.tries.map(tryItem));
  practice.tries.forEach((one, i) => drawTry($("tries").children[i].firstChild, one, practice.drill));
  put($("feedback"), practice.drill ? practice.drill.feedback : "");
  const staged = STAGES.includes(practice.stage);
  $("stage").hidden = !staged;
  $("board").hidden = staged && practice.stage !== "range";
  const key = JSON.stringify([practice.stage, practice.block, practice.number, practice.told, practice.range && practice.range.enough]);
  if (staged && $("stage").dataset.key !== key) {
    $("stage").dataset.key = key;
    $("stage").dataset.stage = practice.stage;
    $("stage").replaceChildren(...PARTS[practice.stage](practice, tell));
  }
  if (practice.stage === "range") showRange(practice);
}

// -- the panel
function drillLine(drill) {
  const line = made("li", "", drill.state);
  const mark = { done: "✓", on: "■", to_come: "" }[drill.state];
  line.append(made("span", mark, "box"), made("span", drill.title), made("b", drill.count || drill.purpose));
  if (drill.state === "on") line.setAttribute("aria-current", "step");
  return line;
}

function offerDrills(page, tell) {
  const offered = (page.room && page.room.open && page.room.drills) || [];
  $("drills").replaceChildren(
    ...offered.map(([name, title]) => {
      const line = made("li", "", "offered");
      const button = made("button", title);
      button.addEventListener("click", () => {
        tell({ do: "drill", name });
        window.scrollTo(0, 0);
      });
      line.append(button);
      return line;
    }),
  );
}
export { offerDrills };

function tryItem(one) {
  const item = made("li");
  const level = made("canvas");
  const word = one ? one.word : w.to_come;
  level.setAttribute("role", "img");
  level.setAttribute("aria-label", one && one.shown && one.value !== null ? `${word}, ${Math.round(one.value)}°` : word);
  item.append(level, made("span", word));
  return item;
}

function drawTry(level, one, drill) {
  const band = (drill && drill.band) || null;
  const span = band ? Math.max(20, (band[1] - band[0]) * 1.5) : 40;
  const reading = one && one.shown && one.value !== null ? [one.value, one.u95] : null;
  drawSmall(level, { reading, span, marks: band, verdict: one && one.verdict, pad: 5 });
}

function showLoad(practice) {
  put($("load"), practice.alone ? practice.load.text : "");
  $("hurt-before").hidden = !practice.hurt_before;
  put($("hurt-before"), practice.hurt_before ? fill(w.hurt_before, { what: practice.hurt_before }) : "");
}

// -- the stages
function button(text, act, main = false) {
  const element = made("button", text, main ? "main-button" : "");
  element.addEventListener("click", act);
  return element;
}
function row(...buttons) {
  const element = made("div", "", "buttons");
  element.append(...buttons);
  return element;
}
const doing = (tell, what, fields = {}) => () => tell({ do: "practice", what, ...fields });

const PARTS = {
  range(practice, tell) {
    const done = button(w.range_done, doing(tell, "range_done"), true);
    done.disabled = !practice.range.enough;
    const found = made("p", "", "range-found");
    found.id = "range-found";
    return [made("h2", w.range_title), made("p", w.range_text), found, row(done, button(w.range_skip, doing(tell, "range_skip")))];
  },
  ready(practice, tell) {
    const drill = practice.drill;
    return [
      made("p", fill(w.drill_of, { n: practice.block, of: practice.blocks, tries: practice.of }), "stage-top"),
      made("h2", drill.title),
      made("p", drill.do, "do"),
      made("p", bandWords(drill), "note"),
      ...remarks(practice),
      row(button(w.begin, doing(tell, "begin"), true), button(w.skip, doing(tell, "skip"))),
    ];
  },
  ask(practice, tell) {
    const [low, high] = SIDE_WORDS(practice.drill);
    const number = made("input");
    number.type = "number";
    number.inputMode = "numeric";
    number.id = "guess-deg";
    number.min = 0;
    number.max = 90;
    const label = made("label", w.guess_deg);
    label.htmlFor = "guess-deg";
    const guess = (side) => () => {
      const deg = number.value === "" ? null : (side === "low" ? -1 : 1) * Math.abs(Number(number.value));
      tell({ do: "practice", what: "guess", side, deg });
    };
    const degrees = made("p", "", "guess-degrees");
    degrees.append(label, number);
    return [
      made("h2", w.say_where),
      row(button(low, guess("low")), button(w.in_band, guess("in")), button(high, guess("high"))),
      degrees,
      row(button(w.dont_know, doing(tell, "pass"))),
    ];
  },
  told(practice, tell) {
    const { told, drill } = practice;
    const parts = [];
    if (!told.show) {
      parts.push(made("h2", w.counted), made("p", practice.silent ? w.counted_silent : w.counted_text));
    } else {
      parts.push(made("h2", told.held === true ? w.held : told.held === null ? w.unsure : verdictOf(told, drill)));
      if (told.value !== null) parts.push(made("p", toldNumber(told, drill), "told-number"));
      if (told.by !== null && told.by > 0) parts.push(made("p", fill(w.by_or_more, { n: Math.floor(told.by) })));
      parts.push(...told.also.map((text) => made("p", text)));
    }
    if (told.guess) parts.push(made("p", fill(w.you_said, { side: guessWord(told.guess, drill) }), "note"));
    return [...parts, row(button(w.next, doing(tell, "next"), true), button(w.next_drill, doing(tell, "skip")))];
  },
  done(practice, tell) {
    const lines = made("ul", "", "summary");
    lines.append(
      ...practice.summary.map((line) => {
        const item = made("li");
        item.append(made("b", line.title), made("span", line.text));
        return item;
      }),
    );
    const parts = [made("h2", w.done_title), lines, made("p", practice.load.text, "note"), ...remarks(practice)];
    if (practice.alone) parts.push(made("p", w.goes_home));
    else parts.push(row(button(w.close_drill, doing(tell, "close"), true)));
    return parts;
  },
};

const SIDE_WORDS = (drill) =>
  drill.angle === "wrist_flexion" && !drill.event.includes("..") ? [w.too_cupped, w.too_bowed] : changeSides(drill);

function changeSides(drill) {
  if (drill.event.includes("..") && drill.angle === "wrist_flexion") return [w.more_cupped, w.more_bowed];
  return [w.too_low, w.too_high];
}
function guessWord(guess, drill) {
  const [low, high] = SIDE_WORDS(drill);
  return { low, high, in: w.in_band }[guess];
}
function verdictOf(told, drill) {
  const [low, high] = SIDE_WORDS(drill);
  return { below: low, above: high, inside: w.lost, unsure: w.unsure }[told.word] || w.lost;
}
function toldNumber(told, drill) {
  if (!drill.event.includes("..")) return withDoubt(told.value, told.u95, drill.angle);
  const n = Math.round(Math.abs(told.value));
  const [less, more] = drill.angle === "wrist_flexion" ? [w.towards_cup, w.towards_bow] : [w.less, w.more];
  return `${n}° ${n === 0 ? "" : told.value < 0 ? less : more} ± ${Math.round(told.u95)}°`;
}
function bandWords(drill) {
  if (!drill.band || drill.kind === "ends") return ""; // of "ends" the board says each when it comes
  const [low, high] = drill.band;
  if (drill.event.includes("..")) {
    const [less, more] = drill.angle === "wrist_flexion" ? [w.towards_cup, w.towards_bow] : [w.less, w.more];
    const at = (value) => `${Math.round(Math.abs(value))}° ${value < 0 ? less : more}`;
    return fill(w.band_change, { low: at(low), high: at(high) });
  }
  return fill(w.band_from, { low: sided(low, drill.angle), high: sided(high, drill.angle) });
}
function remarks(practice) {
  return [...practice.remarks.slice(-2), ...(practice.trouble ? [practice.trouble] : [])].map((text) => made("p", text, "remark"));
}
function showRange(practice) {
  const { low, high } = practice.range;
  const side = (value) => (value === null ? "–" : sided(value, "wrist_flexion"));
  put($("range-found"), fill(w.range_found, { low: side(low), high: side(high) }));
}
export { verdictWord };
