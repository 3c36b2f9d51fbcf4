// Who is there and what is recorded: beginning a session, next student, next club, the end.

import { $, made, put, words as w } from "./screen.js";

const ROLES = { forearm: w.arm, hand: w.hand, club: w.club };
const MOST_STUDENTS = 6;
let chosen = null; // student for the session that begins
let everyone = false;

export function showRoom(page, message, tell) {
  page.room = message;
  $("start").hidden = message.open || !message.own;
  $("clubs").replaceChildren(...message.clubs.map((club) => Object.assign(made("option"), { value: club })));
  const student = message.student;
  put($("who"), student ? student[1] : "");
  $("session-panel").hidden = !message.open || !(message.canRecord || (message.students || []).length);
  if (!message.open) showStart(message, tell);
  else showSession(message, tell);
}

function chip(text, pressed, act) {
  const button = made("button", text, "chip");
  button.setAttribute("aria-pressed", String(pressed));
  button.addEventListener("click", act);
  return button;
}

// One tap is the next recording.
function showSession(message, tell) {
  const [id, name] = message.student || [null, ""];
  const who = message.recording ? [name, message.club].filter(Boolean).join(", ") : "";
  put($("session-who"), who || (message.recording ? w.recording : w.nobody));
  $("session-lesson").hidden = !message.lesson;
  if (message.lesson) $("session-lesson").href = message.lesson;
  $("end").disabled = !message.recording;
  const students = (message.students || []).filter(([other]) => other !== id);
  $("students-row").hidden = !students.length;
  const shown = everyone ? students : students.slice(0, MOST_STUDENTS);
  const chips = shown.map(([other, label]) => chip(label, false, () => tell({ do: "student", id: other })));
  if (shown.length < students.length) {
    chips.push(chip(w.everyone, false, () => ((everyone = true), showSession(message, tell))));
  }
  $("students").replaceChildren(...chips);
  const clubs = message.clubs.slice(0, 8);
  $("clubs-row").replaceChildren(...clubs.map((club) => chip(club, club === message.club, () => tell({ do: "club", club }))));
}

function showStart(message, tell) {
  const found = message.found || [];
  $("start-boxes").replaceChildren(
    ...Object.entries(ROLES).map(([role, label]) => {
      const there = found.find((one) => one.role === role && one.usable);
      const box = made("li", "", there ? "there" : "");
      box.append(made("b", label), made("span", there ? there.name : message.searching ? w.looking : w.no_sensor));
      if (there && there.battery !== null) box.append(made("span", `${there.battery} %`));
      if (there && there.remark) box.append(made("small", there.remark));
      return box;
    }),
  );
  put($("start-trouble"), message.trouble);
  put($("search"), message.searching ? w.searching : w.search);
  $("search").disabled = message.searching;
  $("begin").hidden = !found.some((one) => one.role && one.usable);
  const students = message.students || [];
  $("start-students").replaceChildren(
    ...students.slice(0, 12).map(([id, name]) => {
      return chip(name, id === chosen, () => ((chosen = id === chosen ? null : id), showStart(message, tell)));
    }),
  );
}

export function wireRoom(tell) {
  const fields = () => ({
    id: chosen,
    hand: document.querySelector("input[name=hand]:checked").value,
    club: $("start-club").value,
  });
  $("search").addEventListener("click", () => tell({ do: "search" }));
  $("begin").addEventListener("click", () => tell({ do: "begin", ...fields() }));
  $("virtual").addEventListener("click", () => tell({ do: "virtual" }));
  $("club-form").addEventListener("submit", (event) => {
    event.preventDefault();
    tell({ do: "club", club: $("club-other").value });
    $("club-other").value = "";
  });
}
