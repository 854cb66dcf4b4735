// The terminal's comforts. Every page works without them: forms and links do the work.
// Forms of the floor are sent from here, so that a scan outlives a server that does not answer and the page never blinks.
"use strict";

const MOST_QUEUED = 3; // scans that come while the one before is being answered
const PATIENCE = 8000; // ms; no answer by then is no answer
let drawnAt = performance.now();
let sending = null; // {url, body, code}: what the server has not answered yet
let queued = [];
let silent = false; // whether the server failed to answer

const field = () => document.querySelector("input[data-scan]");
const isOfTheFloor = (form) => form.method === "post" && new URL(form.action).pathname.startsWith("/floor/") && document.body.classList.contains("floor");

// A scan must never be lost: what is typed anywhere else goes into the field, and a touch on bare ground brings the focus back.
function comeBack() {
  if (!document.activeElement?.matches("input, select, textarea, button, a, [tabindex]")) field()?.focus();
}
document.addEventListener("keydown", (event) => {
  if (event.key.length !== 1 || event.ctrlKey || event.altKey || event.metaKey || event.key === " ") return;
  if (!document.activeElement?.matches("input:not([type=checkbox]), select, textarea")) field()?.focus();
});
document.addEventListener("pointerup", () => setTimeout(comeBack));
window.addEventListener("focus", () => setTimeout(comeBack));

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!isOfTheFloor(form)) {
    // A second press of a button does nothing: the server would say the same, but the person would wait.
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
    return;
  }
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form, event.submitter));
  const scan = form.querySelector("input[data-scan]");
  const code = scan ? scan.value.trim() : "";
  if (sending) return meanwhile(code, scan);
  if (scan) scan.value = ""; // what is typed from now on is the next scan
  send({ url: form.action, body, code });
});

// While the answer is on its way: a code waits for its turn. While the server is silent nothing new is taken; the same code tries again.
function meanwhile(code, scan) {
  if (scan) scan.value = "";
  if (silent && code === sending.code) return attempt();
  if (silent) return sayNoAnswer(`${code || "That"} was not taken. `);
  if (code && queued.length < MOST_QUEUED) queued.push(code);
}

function send(what) {
  hold({ ...what, tries: 0 });
  attempt();
}

function hold(what) {
  sending = what;
  document.documentElement.toggleAttribute("data-sending", what !== null);
}

async function attempt() {
  const mine = sending;
  if (!mine || mine.busy) return;
  clearTimeout(mine.timer);
  mine.busy = true;
  let answer = null;
  let page = "";
  try {
    answer = await fetch(mine.url, { method: mine.body ? "POST" : "GET", body: mine.body, signal: AbortSignal.timeout(PATIENCE) });
    page = await answer.text();
  } catch {
    answer = null;
  }
  mine.busy = false;
  if (sending !== mine) return; // forgotten meanwhile
  if (!answer || [502, 503, 504].includes(answer.status)) {
    mine.tries += 1;
    mine.timer = setTimeout(attempt, Math.min(mine.tries, 5) * 1000); // the same form with the same key: done twice, it is done once
    if (!silent) sound();
    silent = true;
    queued = [];
    document.dispatchEvent(new Event("server-silent"));
    return sayNoAnswer("");
  }
  hold(null);
  silent = false;
  document.querySelector(".no-answer")?.remove();
  document.dispatchEvent(new Event("server-answered"));
  draw(page, answer.redirected || !mine.body ? answer.url : null, mine.keepsAddress);
}

function sayNoAnswer(first) {
  document.querySelector(".no-answer")?.remove();
  const box = document.createElement("div");
  box.className = "no-answer";
  box.setAttribute("role", "alert");
  const words = document.createElement("p");
  const what = sending.code || "What you did";
  words.textContent = `${first}No answer from the server. ${what} is kept and sent again by itself. If the work goes on on paper, forget it.`;
  const forget = document.createElement("button");
  forget.className = "plain";
  forget.type = "button";
  forget.textContent = "Forget it";
  forget.addEventListener("click", () => {
    clearTimeout(sending?.timer);
    hold(null);
    silent = false;
    box.remove();
    field()?.focus();
  });
  box.append(words, forget);
  document.querySelector("main").before(box);
  field()?.focus();
}

// The answer takes the place of the page. One that is not of the floor is opened as a page of its own.
function draw(page, address, keepsAddress) {
  const next = new DOMParser().parseFromString(page, "text/html");
  if (!next.body.classList.contains("floor") || !next.querySelector("input[data-scan]")) {
    if (address) return location.assign(address);
  }
  const typed = document.activeElement?.matches("[data-scan]") ? document.activeElement.value : "";
  document.title = next.title;
  document.body.className = next.body.className;
  document.querySelector("header.top").replaceWith(next.querySelector("header.top"));
  document.querySelector("main").replaceWith(next.querySelector("main"));
  if (address && !keepsAddress && address !== location.href) history.pushState(null, "", address);
  arrive();
  const one = field();
  if (one && typed && !one.value) one.value = typed; // half a scan that came meanwhile
  if (one && queued.length) {
    const rest = one.value;
    one.value = queued.shift();
    one.form.requestSubmit();
    if (field()) field().value = rest;
  }
}

window.addEventListener("popstate", () => {
  if (sending) clearTimeout(sending.timer);
  queued = [];
  silent = false;
  send({ url: location.href, body: null, code: "", keepsAddress: true });
});
window.addEventListener("pageshow", () => {
  document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent);
  field()?.focus();
});

// Time left, counted from what the server said when it drew the page: the terminal's own clock may be wrong.
function inWords(seconds) {
  const minutes = Math.floor(Math.abs(seconds) / 60);
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : minutes ? `${minutes} min` : "under 1 min";
}
function countDown() {
  for (const one of document.querySelectorAll("[data-seconds-left]")) {
    const left = Number(one.dataset.secondsLeft) - (performance.now() - drawnAt) / 1000;
    one.textContent = left > 0 ? inWords(left) : `over by ${inWords(left)}`;
    one.classList.toggle("stop", left <= 0);
  }
}
setInterval(countDown, 5000);

// Two falling tones for a refusal, so that it is heard with the eyes on the work. A browser that is not yet allowed to sound waits for a key.
let audio = null;
function sound() {
  audio ??= new AudioContext();
  const play = () => {
    [[440, 0], [293.66, 0.22]].forEach(([pitch, begin]) => {
      const tone = audio.createOscillator();
      const loudness = audio.createGain();
      tone.type = "square";
      tone.frequency.value = pitch;
      loudness.gain.setValueAtTime(0.12, audio.currentTime + begin);
      loudness.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + begin + 0.2);
      tone.connect(loudness).connect(audio.destination);
      tone.start(audio.currentTime + begin);
      tone.stop(audio.currentTime + begin + 0.2);
    });
    document.documentElement.dataset.sounded = "yes";
  };
  if (audio.state === "running") play();
  else audio.resume().then(play);
}

function arrive() {
  drawnAt = performance.now();
  field()?.focus();
  if (document.querySelector(".refuse, .wrong")) sound();
}
arrive();
