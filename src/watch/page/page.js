"use strict";
// Fills the page from the stream of what changes, and asks what the reader wants asked. Numbers are written as the reader writes them.

const by = (id) => document.getElementById(id);
const formats = new Map();
const shown = (value, decimals) => {
  if (value === null || value === undefined || !Number.isFinite(value)) return "\u2013";
  let format = formats.get(decimals);
  if (!format) {
    format = new Intl.NumberFormat(undefined, { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    formats.set(decimals, format);
  }
  return format.format(value);
};
const span = (seconds) => {
  if (!Number.isFinite(seconds) || seconds < 0) return "\u2013";
  const minutes = Math.round(seconds / 60);
  if (seconds < 99.5) return `${shown(seconds, 0)} s`;
  if (minutes < 60) return `${shown(minutes, 0)} min`;
  return `${shown(Math.floor(minutes / 60), 0)} h ${String(minutes % 60).padStart(2, "0")} min`;
};
const make = (name, words, kind) => {
  const element = document.createElement(name);
  if (words !== undefined) element.textContent = words;
  if (kind) element.className = kind;
  return element;
};
// A text is only touched where it changes: a screen reader would say it again.
const say = (element, words) => {
  if (element && element.textContent !== words) element.textContent = words;
};

// Pictures come from the program, their words escaped. Figures in them are written as the reader writes them.
const draw = (element, pictures) => {
  element.innerHTML = pictures.join("");
  for (const text of element.querySelectorAll("text.figures")) {
    const words = text.textContent.trim();
    if (/^-?\d+(\.\d+)?$/.test(words)) text.textContent = shown(Number(words), (words.split(".")[1] || "").length);
  }
};

let run = null;
let ended = false;
let over = false;

const take = (frame) => {
  if (frame.run) begin(frame.run);
  if (frame.now) now(frame.now);
  if (frame.guards) guards(frame.guards);
  if (frame.table) table(frame.table);
  if (frame.curves && frame.curves.length) draw(by("curves"), frame.curves);
  if (frame.live) live(frame.live);
  if (frame.log) frame.log.forEach(line);
  if (frame.end) end(frame.end);
};

const begin = (told) => {
  // A program that was started again knows nothing of what the one before was asked.
  const other = run === null || run.id !== told.id || run.page !== told.page;
  run = told;
  by("log").replaceChildren();
  by("end").hidden = true;
  ended = false;
  if (other) {
    stopping = null;
    for (const [id, words] of [["curves", "None yet."], ["table", "Not computed yet."]]) {
      by(id).replaceChildren(make("p", words, "quiet"));
    }
    say(by("asked"), "");
  }
  say(by("engine"), `${told.engine}, ${told.address}`);
  const lapse = told.lapse > 1 ? `; a simulated bench, ${shown(told.lapse, 0)} times faster` : "";
  say(by("doing"), `${told.doing} ${told.engine} on ${told.bench}, ${told.scale}${lapse}`);
  allow();
};

const speed = (id, mm_s) => {
  const known = mm_s !== null && mm_s !== undefined;
  say(by(id), known ? shown(mm_s * run.ratio * 0.0036, 1) : "\u2013");
  say(by(`${id}-model`), known ? `${shown(mm_s, 1)} mm/s` : "");
};

let paused = false;
const now = (told) => {
  if (told.phase) {
    speed("measured", told.measured_mm_s);
    speed("wanted", told.wanted_mm_s);
    say(by("step"), told.ordered ? `${shown(told.ordered.step, 0)} / ${shown(told.ordered.of, 0)}` : "\u2013");
    say(by("way"), told.ordered ? told.ordered.direction : "");
    say(by("phase"), told.phase);
    by("done").value = told.done;
    say(by("left"), `${shown(told.done * 100, 0)} % done${told.left_s ? `, about ${span(told.left_s)} left` : ""}.`);
    const own = [];
    if (told.battery_v !== null) own.push(`battery ${shown(told.battery_v, 2)} V`);
    if (told.temperature_c !== null) own.push(`${shown(told.temperature_c, 1)} °C`);
    say(by("sensor"), own.length ? `Sensor: ${own.join(", ")}.` : "");
    document.title = `${run.engine}: ${told.phase}`;
  }
  paused = Boolean(told.held && told.held.paused);
  by("held").hidden = !told.held;
  say(by("held"), told.held ? `The run holds: ${told.held.words}` : "");
  ask_person(told.question);
  allow();
};

const guards = (all) => {
  const body = by("guards");
  while (body.rows.length > all.length) body.deleteRow(-1);
  all.forEach((guard, at) => {
    let row = body.rows[at];
    if (!row) {
      row = body.insertRow();
      row.append(make("th"), make("td"), make("td"), make("td"), make("td", "", "words"));
      row.cells[0].scope = "row";
      row.cells[3].innerHTML =
        '<svg class="bar" viewBox="0 0 60 8" preserveAspectRatio="none" aria-hidden="true"><rect height="8" width="0"></rect><rect class="of" height="8" width="60"></rect></svg>';
    }
    const small = Math.abs(guard.limit) < 20;
    const decimals = guard.unit === "V" || small ? 2 : 0;
    const close = guard.watches && guard.used >= 0.75;
    say(row.cells[0], guard.words);
    say(row.cells[1], `${shown(guard.value, decimals)} ${guard.unit}`);
    say(row.cells[2], `${guard.least ? "\u2265" : "\u2264"} ${shown(guard.limit, decimals)} ${guard.unit}`);
    const bar = row.cells[3].querySelector("rect");
    bar.setAttribute("width", String(60 * guard.used));
    bar.setAttribute("class", close ? "near" : "");
    say(row.cells[4], guard.watches ? (close ? "near its limit" : "watches") : "rests");
    row.className = guard.watches ? (close ? "close" : "") : "rests";
  });
};

const table = (told) => {
  const list = make("ul", undefined, "values");
  for (const [cv, value] of told.trims.concat(told.values)) {
    const item = make("li", `CV ${cv} = `);
    item.append(make("b", String(value)));
    list.append(item);
  }
  by("table").replaceChildren(list);
};

const live = (told) => {
  const trace = by("trace");
  const first = !trace.firstChild;
  draw(trace, [told.trace]);
  // Where the picture is wider than the screen, the newest is what counts.
  if (first) trace.scrollLeft = trace.scrollWidth;
  if (!told.field) return;
  draw(by("field"), [told.field.svg]);
  const pairs = (told.field.words || []).flatMap(([words, value, decimals]) => [make("dt", words), make("dd", shown(value, decimals))]);
  by("quality").replaceChildren(...pairs);
};

const LINES = 200;
const line = (told) => {
  const list = by("log");
  const item = make("li");
  item.append(make("span", told.at_s === null ? "" : span(told.at_s), "at"), make("span", told.words, told.grave ? "severe" : ""));
  list.prepend(item);
  while (list.children.length > LINES) list.lastChild.remove();
};

const end = (told) => {
  ended = true;
  const grades = { still: "The engine was seen to stand.", acknowledged: "The station says it stopped the engine; nobody saw it stand.", unconfirmed: "NOBODY CAN SAY WHETHER THE ENGINE STANDS. Go and look; cut the power by hand." };
  const box = by("end");
  box.className = `end ${told.grade}`;
  box.replaceChildren(make("p"), make("p", `Stop: ${told.stop}.`), make("p", `Run: ${told.words}. Verdict: ${told.verdict}. Decoder: ${told.decoder}.`));
  box.firstChild.append(make("strong", grades[told.grade] || told.stop));
  for (const reason of told.reasons) box.append(make("p", reason));
  box.hidden = false;
  if (stopping) say(by("asked"), "The stop was carried out; what became of it stands above.");
  allow();
};

// ---- The link.

const SILENT_MS = 8000;
let heard = Date.now();
let source = null;
let opened = 0;

const open = () => {
  if (source) source.close();
  opened = Date.now();
  source = new EventSource("live");
  const of = (event) => {
    heard = Date.now();
    over = event.type === "over";
    if (event.data) {
      const frame = JSON.parse(event.data);
      if (frame) take(frame);
    }
    link();
    if (over) source.close();
  };
  for (const name of ["frame", "beat", "over"]) source.addEventListener(name, of);
};

const link = () => {
  const silent = Date.now() - heard;
  const away = silent > SILENT_MS;
  by("link").classList.toggle("away", away || over);
  if (over) {
    say(by("link"), "The program has ended; this page looks for it again.");
  } else {
    say(by("link"), away ? "The program is not heard." : "Live.");
  }
  const lost = by("lost");
  const grave = away && !ended;
  if (grave) {
    if (!lost.firstChild) {
      lost.append(make("p"), make("p", "The engine may be running. Nothing asked here can be relied on: go to the bench and cut the power by hand, or press Ctrl-C where the program runs. This page goes on trying."));
      const since = make("span");
      // Seen, and not said anew each second.
      since.setAttribute("aria-hidden", "true");
      lost.firstChild.append(make("strong", "Nothing is heard from the program."), " ", since);
    }
    say(lost.querySelector("span"), `For ${span(silent / 1000)}.`);
  } else if (lost.firstChild) {
    lost.replaceChildren();
  }
  lost.hidden = !grave;
  allow();
};

setInterval(() => {
  link();
  const silent = Date.now() - heard;
  const tried = Date.now() - opened;
  // The browser tries again by itself, but not for ever, and not where a link hangs half open.
  if ((over || silent > SILENT_MS || source.readyState === EventSource.CLOSED) && tried > 3000) open();
}, 1000);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && Date.now() - heard > SILENT_MS) open();
});

// ---- What is asked.

let stopping = null;
let question = null;
const PATIENCE_MS = 4000;
const wait = (ms) => new Promise((done) => setTimeout(done, ms));
const name = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");

const send = async (id, words) => {
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), PATIENCE_MS);
  try {
    const answer = await fetch("ask", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ id, line: words }),
      credentials: "omit",
      signal: patience.signal,
    });
    return await answer.json();
  } finally {
    clearTimeout(timer);
  }
};

const allow = () => {
  const stop = by("stop");
  if (!stop) return;
  const runs = run !== null && !ended;
  stop.disabled = !runs || stopping !== null;
  say(stop, stopping === null ? (ended ? "The run has ended" : "Stop the engine") : "Stopping");
  by("pause").disabled = !runs || paused || stopping !== null;
  by("go-on").disabled = !runs || !paused || stopping !== null;
  by("leave").hidden = !(runs && stopping && stopping.taken);
};

// A stop is sent under one name until somebody takes it: what arrives twice is done once.
const stop = async () => {
  if (stopping) return;
  const mine = (stopping = { id: name(), taken: false });
  allow();
  for (let tries = 1; stopping === mine && !ended; tries += 1) {
    say(by("asked"), tries === 1 ? "Sending the stop." : `No answer yet: sending the stop again (try ${shown(tries, 0)}). Do not rely on it: cut the power by hand.`);
    try {
      const answer = await send(mine.id, "stop");
      if (answer.ok) {
        mine.taken = true;
        say(by("asked"), "The program has the stop. It waits to see the engine stand.");
        allow();
        return;
      }
      say(by("asked"), `The program did not take the stop: ${answer.error}. Cut the power by hand.`);
    } catch (error) {
      // Slow or gone: tried again, and said above.
    }
    await wait(700);
  }
  allow();
};

const once = async (words, told) => {
  say(by("asked"), "Sending.");
  try {
    const answer = await send(name(), words);
    say(by("asked"), answer.ok ? told : `Not taken: ${answer.error}.`);
  } catch (error) {
    say(by("asked"), "No answer: nobody can say whether the program heard it.");
  }
};

const ask_person = (told) => {
  const box = by("question");
  if (!box) {
    return;
  }
  const number = told ? told.number : null;
  if (question === number) return;
  question = number;
  box.hidden = !told;
  box.replaceChildren();
  if (!told) return;
  box.append(make("p", `The run asks: ${told.words}`));
  for (const answer of told.answers) {
    const button = make("button", answer);
    button.type = "button";
    button.addEventListener("click", () => once(`answer ${answer}`, `Answered: ${answer}.`));
    box.append(button, " ");
  }
};

if (by("stop")) {
  by("stop").addEventListener("click", stop);
  by("pause").addEventListener("click", () => once("pause", "The engine goes to a standstill and waits."));
  by("go-on").addEventListener("click", () => once("go-on", "It goes on."));
  by("leave").addEventListener("click", () => once("stop", "It ends now."));
}

open();
