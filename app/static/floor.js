// The terminal's comforts. Every page works without them: forms and links do the work.
"use strict";

const field = document.querySelector("input[data-scan]");
const loadedAt = performance.now();

// A scan must never be lost: what is typed anywhere else goes into the field, and a touch on bare ground brings the focus back.
function comeBack() {
  if (field && !document.activeElement?.matches("input, select, textarea, button, a, [tabindex]")) field.focus();
}
if (field) {
  field.focus();
  document.addEventListener("keydown", (event) => {
    if (event.key.length !== 1 || event.ctrlKey || event.altKey || event.metaKey || event.key === " ") return;
    if (!document.activeElement?.matches("input:not([type=checkbox]), select, textarea")) field.focus();
  });
  document.addEventListener("pointerup", () => setTimeout(comeBack));
  window.addEventListener("focus", () => setTimeout(comeBack));
  window.addEventListener("pageshow", () => field.focus());
}

// A second press of a button does nothing: the server would say the same, but the person would wait.
document.addEventListener("submit", (event) => {
  if (event.target.dataset.sent) event.preventDefault();
  event.target.dataset.sent = "yes";
});
window.addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent));

// Time left, counted from what the server said when it drew the page: the terminal's own clock may be wrong.
function inWords(seconds) {
  const minutes = Math.floor(Math.abs(seconds) / 60);
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes} min`;
}
function countDown() {
  for (const one of document.querySelectorAll("[data-seconds-left]")) {
    const left = Number(one.dataset.secondsLeft) - (performance.now() - loadedAt) / 1000;
    one.textContent = left > 0 ? inWords(left) : `over by ${inWords(left)}`;
    one.classList.toggle("stop", left <= 0);
  }
}
if (document.querySelector("[data-seconds-left]")) setInterval(countDown, 5000);

// Two falling tones for a refusal, so that it is heard with the eyes on the work. A browser that is not yet allowed to sound waits for a key.
function sound() {
  const audio = new AudioContext();
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
if (document.querySelector(".refuse")) sound();
