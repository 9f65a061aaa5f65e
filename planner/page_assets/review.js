"use strict";
// Answers and sound of the review page. Nothing is loaded, nothing is sent: answers stay in this
// browser until they are saved or copied, and tones are made here, beside the recording.
(() => {
  const data = JSON.parse(document.getElementById("plan-data").textContent);
  const articles = [...document.querySelectorAll("article[data-id]")];
  const lineOf = new Map(data.lines.map((line) => [line.id, line]));
  document.documentElement.classList.add("live");
  if (!articles.length) return;
  const byId = (id) => document.getElementById(id);

  // ------------------------------------------------------------ answers

  const KEY = `planner answers: ${data.song}: ${data.plan}`;
  let given = { by: "", lines: {} };
  try {
    given = { ...given, ...JSON.parse(localStorage.getItem(KEY)) };
  } catch {
    // No storage here (a private window, some phones): answers live as long as the page.
  }
  const answerOf = (id) => (given.lines[id] ??= { answer: "", all: false, note: "" });

  function keep() {
    try {
      localStorage.setItem(KEY, JSON.stringify(given));
    } catch {
      // As above.
    }
    show();
  }

  // One decision is one line, so every kind of line break in a note is written as \n, and a
  // backslash as two.
  const oneLine = (text) =>
    text
      .trim()
      .replace(/\\/g, "\\\\")
      .replace(/\r\n?|[\n\v\f\x1c-\x1e\x85\u2028\u2029]/g, "\\n")
      .replace(/\t/g, " ");

  function text() {
    const out = ["planner answers 1", `song: ${data.song}`, `plan: ${data.plan}`];
    const by = oneLine(given.by);
    if (by) out.push(`by: ${by}`);
    for (const line of data.lines) {
      const mine = given.lines[line.id];
      const note = mine ? oneLine(mine.note) : "";
      const answer = mine?.answer || (note ? "note" : "");
      const bars = mine ? barsSaid(mine) : "";
      if (bars) out.push(`${line.id} ${bars}`);
      if (!answer) continue;
      out.push(`${line.id} ${answer}${note ? `\t${note}` : ""}`);
      if (mine.all && mine.answer) line.alike.forEach((id) => out.push(`${id} ${answer}`));
    }
    return out.join("\n") + "\n";
  }

  // Where a stretch lies: one end, or both.
  function barsSaid({ from = "", to = "" }) {
    if (from && to) return `bars ${from}-${to}`;
    return from ? `begins at bar ${from}` : to ? `ends at bar ${to}` : "";
  }

  const press = (button, on) => button.setAttribute("aria-pressed", String(on));

  function show() {
    let answered = 0;
    for (const article of articles) {
      const mine = answerOf(article.dataset.id);
      const note = mine.note.trim() !== "";
      if (mine.answer || note || barsSaid(mine)) answered += 1;
      for (const button of article.querySelectorAll("[data-answer]")) {
        press(button, button.dataset.answer === mine.answer);
      }
      press(article.querySelector("[data-note]"), note);
      const all = article.querySelector("[data-all]");
      if (all) press(all, mine.all);
    }
    byId("send").textContent = `${answered} of ${articles.length} answered: send`;
    byId("text").value = text();
  }

  function answer(article, word) {
    if (!article.querySelector(`[data-answer="${word}"]`)) return;
    const mine = answerOf(article.dataset.id);
    mine.answer = mine.answer === word ? "" : word;
    keep();
  }

  function toggleAll(article) {
    if (!article.querySelector("[data-all]")) return;
    const mine = answerOf(article.dataset.id);
    mine.all = !mine.all;
    keep();
  }

  function openNote(article, open) {
    const button = article.querySelector("[data-note]");
    const label = byId(button.getAttribute("aria-controls"));
    label.hidden = !open;
    button.setAttribute("aria-expanded", String(open));
    if (open) label.querySelector("textarea").focus();
  }

  function save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text()], { type: "text/plain;charset=utf-8" }));
    link.download = data.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    byId("sent").textContent = `Saved as ${data.file}, where this browser keeps its downloads.`;
  }

  async function copy() {
    let copied = true;
    try {
      await navigator.clipboard.writeText(text());
    } catch {
      byId("text").select();
      copied = document.execCommand("copy");
    }
    byId("sent").textContent = copied ? "Copied." : "Select the text below and copy it by hand.";
  }

  // ------------------------------------------------------------ sound

  const SOFT_S = 0.02; // a tone's start and end
  const GAP_S = 0.4; // between the measured curve and the planned one
  const START_S = 3; // chosen: a slow output is ready by then
  // Low notes are heard by their partials: six of them, and more where those end below 1 kHz,
  // because small loudspeakers give little of what lies lower.
  const partials = (hz) => Math.max(6, Math.floor(1000 / hz));
  let context = null;
  let playing = null;

  function stop() {
    if (!playing) return;
    const { article, master, timers } = playing;
    playing = null;
    timers.forEach(clearTimeout);
    if (master) {
      master.gain.setTargetAtTime(0, context.currentTime, SOFT_S / 4);
      setTimeout(() => master.disconnect(), 200);
    }
    article.querySelectorAll("[data-way]").forEach((button) => press(button, false));
    article.querySelector(".playing").textContent = "";
  }

  function recorded(article, way) {
    const which = way === "mix" ? "audio[data-mix]" : "audio:not([data-mix])";
    const coded = article.querySelector(which).getAttribute("src");
    const characters = atob(coded.slice(coded.indexOf(",") + 1));
    return Uint8Array.from(characters, (one) => one.charCodeAt(0)).buffer;
  }

  // Partials of 1/n, together as strong as a root mean square of 1.
  function wave(hz) {
    const sizes = Array.from({ length: partials(hz) }, (_, k) => 1 / (k + 1));
    const rms = Math.sqrt(sizes.reduce((sum, a) => sum + (a * a) / 2, 0));
    const imag = Float32Array.from([0, ...sizes.map((a) => a / rms)]);
    const real = new Float32Array(imag.length);
    return context.createPeriodicWave(real, imag, { disableNormalization: true });
  }

  function tone(master, line, tenths, at, length) {
    const oscillator = context.createOscillator();
    const gain = context.createGain();
    oscillator.setPeriodicWave(wave(line.target_hz));
    if (tenths) {
      const hz = Float32Array.from(tenths, (t) => line.target_hz * 2 ** (t / 12000));
      oscillator.frequency.setValueCurveAtTime(hz, at, length);
    } else {
      oscillator.frequency.setValueAtTime(line.target_hz, at);
    }
    const soft = Math.min(SOFT_S, length / 2);
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(line.tone_rms, at + soft);
    gain.gain.setValueAtTime(line.tone_rms, at + length - soft);
    gain.gain.linearRampToValueAtTime(0, at + length);
    oscillator.connect(gain).connect(master);
    oscillator.start(at);
    oscillator.stop(at + length);
    return oscillator;
  }

  async function play(article, way) {
    const button = article.querySelector(`[data-way="${way}"]`);
    if (!button) return;
    const again = playing?.article === article && playing.way === way;
    stop();
    article.dataset.last = way;
    if (again) return;
    const mine = { article, way, master: null, timers: [] };
    playing = mine;
    press(button, true);
    const say = (words) => (article.querySelector(".playing").textContent = words);
    const line = lineOf.get(article.dataset.id);
    try {
      context ??= new AudioContext();
      const late = new Promise((done) => setTimeout(done, START_S * 1000, "late"));
      if (await Promise.race([context.resume(), late]) === "late") {
        throw new Error("no sound starts; is an output connected, and may this page play?");
      }
      const buffer = way === "curves" ? null : await context.decodeAudioData(recorded(article, way));
      if (playing !== mine) return; // stopped while it was being made ready
      mine.master = context.createGain();
      mine.master.connect(context.destination);
      const at = context.currentTime + 0.05;
      let last = null;
      if (buffer) {
        const words = { mix: "In the rough mix.", target: "As recorded, with the target as a tone." };
        say(words[way] ?? "As recorded.");
        last = context.createBufferSource();
        last.buffer = buffer;
        last.connect(mine.master);
        last.start(at);
        if (way === "target") {
          tone(mine.master, line, null, at + line.note_s[0], line.note_s[1] - line.note_s[0]);
        }
      } else {
        const length = (line.measured.length - 1) * line.step_s;
        say("The measured curve.");
        tone(mine.master, line, line.measured, at, length);
        const then = at + length + GAP_S;
        last = tone(mine.master, line, line.planned.length ? line.planned : null, then, length);
        const wait = (then - context.currentTime) * 1000;
        const second = line.planned.length ? "The planned curve." : "The target.";
        mine.timers.push(setTimeout(() => say(second), wait));
      }
      last.onended = () => playing === mine && stop();
    } catch (fault) {
      if (playing === mine) stop();
      say(`This browser does not play it: ${fault.message}`);
    }
  }

  // ------------------------------------------------------------ hands

  let current = -1;

  function go(to) {
    current = Math.min(Math.max(to, 0), articles.length - 1);
    articles[current].focus({ preventScroll: true });
    articles[current].scrollIntoView({ block: "start" });
  }

  articles.forEach((article, k) => {
    article.addEventListener("focusin", () => (current = k));
    article.addEventListener("click", (event) => {
      current = k;
      const button = event.target.closest("button");
      if (!button) return;
      if (button.dataset.way) play(article, button.dataset.way);
      if (button.dataset.answer) answer(article, button.dataset.answer);
      if ("all" in button.dataset) toggleAll(article);
      if ("note" in button.dataset) {
        openNote(article, button.getAttribute("aria-expanded") !== "true");
      }
    });
    for (const input of article.querySelectorAll("[data-bar]")) {
      input.value = answerOf(article.dataset.id)[input.dataset.bar] ?? "";
      input.addEventListener("input", () => {
        answerOf(article.dataset.id)[input.dataset.bar] = input.value.replace(/\D/g, "");
        keep();
      });
    }
    const note = article.querySelector("textarea");
    note.value = answerOf(article.dataset.id).note;
    if (note.value) openNoteQuietly(article);
    note.addEventListener("input", () => {
      answerOf(article.dataset.id).note = note.value;
      keep();
    });
  });

  function openNoteQuietly(article) {
    const button = article.querySelector("[data-note]");
    byId(button.getAttribute("aria-controls")).hidden = false;
    button.setAttribute("aria-expanded", "true");
  }

  const WAYS = { 1: "recorded", 2: "target", 3: "curves", 4: "mix" };
  const WORDS = { y: "yes", n: "no", a: "ask", h: "half" };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if (event.target.matches("textarea, input")) {
      if (key === "Escape" && current >= 0) go(current);
      return;
    }
    const article = articles[current];
    if (key === "j" || key === "ArrowRight") go(current + 1);
    else if (key === "k" || key === "ArrowLeft") go(current - 1);
    else if (!article) return;
    else if (key === " ") {
      if (event.target.matches("button, summary")) return; // a button is pressed by it, as everywhere
      const first = article.querySelector("[data-way]");
      if (playing) stop();
      else if (first) play(article, article.dataset.last ?? first.dataset.way);
    } else if (key in WAYS) play(article, WAYS[key]);
    else if (key in WORDS) answer(article, WORDS[key]);
    else if (key === "w") openNote(article, true);
    else if (key === "l") toggleAll(article);
    else return;
    event.preventDefault();
  });

  byId("by").value = given.by;
  byId("by").addEventListener("input", (event) => {
    given.by = event.target.value;
    keep();
  });
  byId("save").addEventListener("click", save);
  byId("copy").addEventListener("click", copy);
  byId("previous").addEventListener("click", () => go(current - 1));
  byId("next").addEventListener("click", () => go(current + 1));
  byId("send").addEventListener("click", () => byId("answers").scrollIntoView());
  show();
})();
