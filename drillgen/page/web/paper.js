/* All keys on paper: each with its name over it. */
(function (d) {
  "use strict";

  /** Print the keys of a layout; `dress(picture)` prepares each. */
  d.printAll = async function (layout, tempo, pictures) {
    const host = d.byId("all");
    const parts = layout.keys.map((key, index) => {
      const picture = d.pictureOf(pictures[index]);
      picture.querySelectorAll("[id^=b], [id^=k]").forEach((bar) => bar.removeAttribute("id"));
      return d.el("section", { class: "a-key" }, d.el("h2", {}, `${key.seen} · ${tempo}`), picture);
    });
    host.replaceChildren(...parts);
    document.body.classList.add("all-keys");
    window.addEventListener("afterprint", () => {
      document.body.classList.remove("all-keys");
      host.replaceChildren();
    }, { once: true });
    window.print();
  };
})(window.drillgen);
