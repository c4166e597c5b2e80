const slides = [...document.querySelectorAll("section")];
const nav = document.querySelector("nav");
let at = 0;

function show(to, focus = true) {
  at = Math.min(Math.max(to, 0), slides.length - 1);
  slides.forEach((slide, k) => { slide.hidden = k !== at; });
  nav.querySelector("span").textContent = `${at + 1} / ${slides.length}`;
  history.replaceState(null, "", `#${at + 1}`);
  // What is new is read aloud, unless a button is being used.
  if (focus) slides[at].focus();
}

const FORWARD = ["ArrowRight", "ArrowDown", "PageDown", " "];
const BACK = ["ArrowLeft", "ArrowUp", "PageUp"];

addEventListener("keydown", (e) => {
  // A button that has the focus takes Space itself.
  if (e.ctrlKey || e.altKey || e.metaKey || (e.key === " " && e.target.closest("button"))) return;
  if (FORWARD.includes(e.key)) show(at + 1);
  else if (BACK.includes(e.key)) show(at - 1);
  else if (e.key === "Home") show(0);
  else if (e.key === "End") show(slides.length - 1);
  else if (e.key === "n" || e.key === "N") document.body.classList.toggle("notes");
  else return;
  e.preventDefault();
});

// A click or a tap turns the page: in the left third back, elsewhere on. Selecting text does not.
addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (button) show(at + Number(button.dataset.by), false);
  else if (!String(getSelection())) show(at + (e.clientX < innerWidth / 3 ? -1 : 1));
});

addEventListener("hashchange", () => show(Number(location.hash.slice(1)) - 1));

slides.forEach((slide) => { slide.tabIndex = -1; });
nav.hidden = false;
show((Number(location.hash.slice(1)) || 1) - 1);
