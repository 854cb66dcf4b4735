// A terminal keeps its area's newest sheets, and shows them when the server does not answer: then work goes on on paper.
// It needs no service worker, for a factory's network is plain http. Without script nothing of this is there, and nothing else is lost.
"use strict";

(() => {
  const SHEETS = "/paper/here";
  const SIGN_OF_LIFE = "/static/icon.svg";
  const EVERY = 10 * 60 * 1000; // ms, between two fetches of the sheets
  const LOOK = 10 * 1000; // ms, between two looks whether the server answers
  const PATIENCE = 3000; // ms, for one look
  const FRESH = 2000; // ms: a sign of life so young needs no look before a scan is sent

  const main = () => document.querySelector("main"); // another one after every scan
  let answeredAt = performance.now(); // the server drew this page just now
  let looking = null;
  let shown = null;

  // The sheets must outlive the page, for every scan draws a new one.
  function shelf(mode, use) {
    return new Promise((done, failed) => {
      const opening = indexedDB.open("reelroot-paper", 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore("sheets");
      opening.onerror = () => failed(opening.error);
      opening.onsuccess = () => {
        const doing = opening.result.transaction("sheets", mode);
        const request = use(doing.objectStore("sheets"));
        doing.oncomplete = () => done(request.result);
        doing.onerror = () => failed(doing.error);
      };
    });
  }
  const kept = () => shelf("readonly", (sheets) => sheets.get("newest"));

  async function keep() {
    if (!document.querySelector("[data-area]")) return; // not an enrolled terminal
    const last = await kept();
    if (!last || Date.now() - last.at >= EVERY || Date.now() < last.at) {
      const answer = await fetch(SHEETS, { cache: "no-store" });
      if (!answer.ok || answer.redirected) return; // not enrolled, or nobody signed in: what is kept stays
      const html = await answer.text();
      await shelf("readwrite", (sheets) => sheets.put({ html, at: Date.now() }, "newest"));
    }
    document.documentElement.dataset.paperKept = "yes";
  }

  function look() {
    looking ??= fetch(SIGN_OF_LIFE, { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(PATIENCE) })
      .then((answer) => answer.ok, () => false)
      .then((alive) => {
        looking = null;
        if (alive) answeredAt = performance.now();
        return alive;
      });
    return looking;
  }

  async function watch() {
    if (await look()) putAway();
    else await show();
  }

  async function show() {
    if (shown) return;
    shown = document.createElement("div");
    shown.className = "kept";
    const last = await kept().catch(() => null);
    const page = last && new DOMParser().parseFromString(last.html, "text/html").querySelector("[data-kept]");
    shown.append(said(page), ...(page ? [document.importNode(page, true)] : []));
    main().hidden = true;
    main().after(shown);
    carry(main().querySelector("[data-scan]"), shown.querySelector("input"));
    shown.querySelector("input, button")?.focus();
  }

  // The server may go or come in the middle of a scan: its first half goes where the second will, and waits nowhere for the next scan.
  function carry(from, to) {
    if (!from?.value) return;
    if (to) to.value = from.value;
    from.value = "";
  }

  function said(page) {
    const stop = document.createElement("section");
    stop.className = "refuse unprinted";
    stop.setAttribute("role", "alert");
    const why = page
      ? `Nothing that is scanned is recorded now. These are the sheets of ${page.dataset.area}, kept at ${page.dataset.kept}.`
      : "Nothing that is scanned is recorded now, and this terminal has kept no sheets.";
    const now = page ? "Print the lot's sheet, or write on the one that travels with it. This page comes back by itself." : "Write on the lot's own sheet. This page comes back by itself.";
    const title = document.createElement("h1");
    title.append(Object.assign(document.createElement("span"), { className: "sign" }), "Stop. The server does not answer.");
    const list = document.createElement("dl");
    for (const [name, words] of [["Why", why], ["Now", now]]) {
      list.append(Object.assign(document.createElement("dt"), { textContent: name }), Object.assign(document.createElement("dd"), { textContent: words }));
    }
    stop.append(title, list);
    if (page) stop.append(finder());
    return stop;
  }

  // A lot's or magazine's code leaves only its sheet; an empty field brings all back, and so does a code that none of them has.
  function finder() {
    const form = document.createElement("form");
    form.className = "scan kept-find";
    const label = Object.assign(document.createElement("label"), { textContent: "Scan a lot or its magazine to see its sheet alone" });
    const field = Object.assign(document.createElement("input"), { autocomplete: "off", spellcheck: false });
    label.append(field);
    const print = Object.assign(document.createElement("button"), { type: "button", textContent: "Print what is shown" });
    print.addEventListener("click", () => window.print());
    const missing = Object.assign(document.createElement("p"), { className: "wrong", hidden: true });
    missing.setAttribute("role", "alert");
    form.append(label, print, missing);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const code = field.value.trim().toUpperCase();
      const sheets = [...shown.querySelectorAll("[data-codes]")];
      const its = sheets.filter((sheet) => sheet.dataset.codes.split(" ").includes(code));
      for (const sheet of sheets) sheet.parentElement.hidden = its.length > 0 && !its.includes(sheet);
      missing.hidden = code === "" || its.length > 0;
      missing.textContent = `${code} has no sheet among those that this terminal keeps: all of them are shown. Write on the sheet that travels with it.`;
      field.value = "";
    });
    return form;
  }

  function putAway() {
    if (!shown) return;
    carry(shown.querySelector("input"), main().querySelector("[data-scan]"));
    shown.remove();
    shown = null;
    main().hidden = false;
    main().querySelector("[data-scan]")?.focus();
  }

  // Nothing is sent to a server that is away: the page would be lost, and the sheets with it.
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.matches(".kept-find") || event.defaultPrevented || new URL(form.action).pathname.startsWith("/floor/")) return; // floor.js sends those
    if (form.dataset.answered) {
      delete form.dataset.answered;
      return;
    }
    if (!shown && performance.now() - answeredAt < FRESH) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (form.dataset.waits) return; // the scanner read twice
    form.dataset.waits = "yes";
    const fields = [...form.querySelectorAll("input:not([type=hidden])")].filter((field) => !field.readOnly);
    fields.forEach((field) => { field.readOnly = true; }); // what comes meanwhile is not part of this scan
    const alive = await look();
    fields.forEach((field) => { field.readOnly = false; });
    delete form.dataset.waits;
    if (!alive) return void show();
    form.dataset.answered = "yes";
    form.requestSubmit(event.submitter ?? undefined);
  }, true);
  document.addEventListener("click", (event) => { if (shown && event.target.closest("a[href]")) event.preventDefault(); }, true);

  document.addEventListener("server-silent", show);
  document.addEventListener("server-answered", () => { answeredAt = performance.now(); putAway(); });
  window.addEventListener("offline", watch);
  window.addEventListener("online", watch);
  setInterval(watch, LOOK);
  const tryToKeep = () => keep().catch(() => {});
  tryToKeep();
  setInterval(tryToKeep, 60 * 1000);
})();
