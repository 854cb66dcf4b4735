// Entering a sheet with a scanner: its Enter goes on to the next field, and a step's code leads to the row of that step.
"use strict";

const entry = document.querySelector(".sheet-entry");
entry?.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !field.matches("input") || field.type === "password") return;
  event.preventDefault();
  const row = entry.querySelector(`[data-step="${CSS.escape(field.value.trim().toUpperCase())}"]`);
  if (row) {
    field.value = "";
    row.querySelector("input")?.focus();
    return;
  }
  const fields = [...entry.querySelectorAll("input:not([type=hidden]):not([type=password]), select, button:not([tabindex])")];
  fields[fields.indexOf(field) + 1]?.focus();
});
