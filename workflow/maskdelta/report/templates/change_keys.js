/* Moves between the changes: j or right arrow forward, k or left arrow back. */
class ChangeKeys {
  constructor({ articles }) {
    this.articles = Array.from(articles);
    document.addEventListener("keydown", (event) => this.press(event));
  }

  press(event) {
    const step = { j: 1, ArrowRight: 1, k: -1, ArrowLeft: -1 }[event.key];
    const busy = event.ctrlKey || event.metaKey || event.altKey || event.target.closest("select, input, .scroll, .plot");
    if (!step || busy) return;
    const shown = this.articles.filter((article) => !article.hidden);
    const next = shown[this.nextIndex(shown, step)];
    if (!next) return;
    event.preventDefault();
    next.scrollIntoView();
    next.focus({ preventScroll: true });
  }

  nextIndex(shown, step) {
    const at = shown.indexOf(document.activeElement.closest("article.change"));
    if (at >= 0) return at + step;
    const below = shown.findIndex((article) => article.getBoundingClientRect().top > -1);
    if (below < 0) return step > 0 ? -1 : shown.length - 1;
    return step > 0 ? below : below - 1;
  }
}
