// What moves on the page. Without it everything is there and works; it only stands still.
"use strict";
// A form is sent once: a second touch finds no button.
document.addEventListener("submit", (event) => {
  for (const button of event.target.querySelectorAll("button")) setTimeout(() => { button.disabled = true; }, 0);
});
