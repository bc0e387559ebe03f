// The page of a moment: while that is being reviewed, the page asks again by itself. A picture that is wider
// than the screen shows the moment first.

import "./switch.js";

const AGAIN_MS = 1500;

if (document.body.dataset.waits !== undefined) setTimeout(() => location.reload(), AGAIN_MS);
for (const box of document.querySelectorAll(".around:has(#around-title) .pic-box")) {
  box.scrollLeft = (box.scrollWidth - box.clientWidth) / 2;
}
