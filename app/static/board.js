// The board renews itself while it is watched: the server says that something changed, and the page asks for its newest part.
const board = document.getElementById("board");
const watching = document.getElementById("watching");
let asking = false;
let again = false;

async function renew() {
  if (asking || document.hidden) { again = true; return; }
  asking = true;
  again = false;
  try {
    const answer = await fetch(board.dataset.now, { headers: { Accept: "text/html" } });
    if (answer.redirected) location.reload();  // signed out meanwhile
    else if (answer.ok && !board.contains(document.activeElement)) board.innerHTML = await answer.text();
  } catch { watching.textContent = "The server does not answer: what stands here is old."; }
  asking = false;
  if (again) setTimeout(renew, 5000);
}

const changes = new EventSource(board.dataset.changes);
let first = true;
changes.addEventListener("changed", () => {
  watching.textContent = "It renews itself.";
  if (first) first = false; else renew();
});
changes.addEventListener("error", () => { watching.textContent = "The server does not answer: what stands here may be old."; first = false; });
setInterval(renew, 60000);  // waits grow without any entry
document.addEventListener("visibilitychange", () => { if (!document.hidden) renew(); });
