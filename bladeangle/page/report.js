"use strict";
for (const figure of document.querySelectorAll("figure.photograph")) {
  const holder = figure.querySelector(".viewer"), viewer = makeViewer(holder), marks = figure.querySelector(".marks");
  holder.addEventListener("keydown", viewer.key);
  for (const button of figure.querySelectorAll(".tools button")) {
    button.addEventListener("click", () => {
      if (button.dataset.act === "marks") {
        const shown = button.getAttribute("aria-pressed") !== "true";
        button.setAttribute("aria-pressed", String(shown));
        marks.style.display = shown ? "" : "none";
      } else {
        viewer.acts[button.dataset.act]();
      }
    });
  }
}
// A print shows every photograph whole and every detail.
window.addEventListener("beforeprint", () => {
  for (const details of document.querySelectorAll("details")) { details.open = true; }
  for (const button of document.querySelectorAll("[data-act='whole']")) { button.click(); }
});
