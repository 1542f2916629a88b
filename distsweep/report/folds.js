// A link into something folded opens it.

function openAround(element) {
  for (let fold = element?.closest("details"); fold; fold = fold.parentElement.closest("details")) {
    fold.open = true;
  }
}

// The anchors of the page are letters, digits, hyphens and points: nothing in them is encoded.
function openTarget() {
  const target = document.getElementById(location.hash.slice(1));
  if (!target) return;
  openAround(target);
  const own = target.querySelector(":scope > details.part");
  if (own) own.open = true;
  target.scrollIntoView();
}

addEventListener("hashchange", openTarget);
document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[href^='#']");
  if (link && link.hash === location.hash) openTarget(); // no change of address, so no hashchange
});
if (location.hash) openTarget();
