/* Shows the rows and pictures of one layer or landmark. */
class ChangeFilter {
  constructor({ form, items }) {
    this.form = form;
    this.items = Array.from(items);
    this.output = form.querySelector("output");
    form.hidden = false;
    form.addEventListener("change", () => this.apply());
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  apply() {
    const { layer, landmark } = Object.fromEntries(new FormData(this.form));
    this.items.forEach((item) => {
      const fits = !layer || item.dataset.layers.split(" ").includes(layer);
      item.hidden = !(fits && (!landmark || item.dataset.landmark === landmark));
    });
    const rows = this.items.filter((item) => item.tagName === "TR");
    const shown = rows.filter((item) => !item.hidden).length;
    this.output.textContent = layer || landmark ? `${shown} of ${rows.length} shown` : "";
  }
}
