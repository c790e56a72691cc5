/* Sorts a table by the column whose heading is pressed; pressed again, the other way round. */
class TableSort {
  constructor({ table }) {
    this.body = table.tBodies[0];
    this.heads = Array.from(table.tHead.rows[0].cells);
    this.heads.forEach((head, column) => this.makeButton(head, column));
  }

  makeButton(head, column) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    button.addEventListener("click", () => this.sort(head, column));
    head.append(button);
  }

  sort(head, column) {
    const down = head.getAttribute("aria-sort") === "ascending";
    const rows = Array.from(this.body.rows).sort((a, b) => this.compare(a.cells[column], b.cells[column]));
    this.heads.forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    this.body.append(...(down ? rows.reverse() : rows));
  }

  compare(a, b) {
    const numbers = [a, b].map((cell) => Number.parseFloat(cell.dataset.value));
    if (numbers.every(Number.isFinite)) return numbers[0] - numbers[1];
    return a.textContent.localeCompare(b.textContent, "en");
  }
}
