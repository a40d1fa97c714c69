// The ink of every text and music sign of a sheet: [kind, what, bar, left, top, right, bottom].
() => {
  const pen = document.createElement("canvas").getContext("2d");
  const letters = (text) => {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    let place = 0;
    for (const run of text.children.length ? text.children : [text]) {
      const style = getComputedStyle(run);
      const scale = parseFloat(style.fontSize) / 100;
      pen.font = `${style.fontStyle} ${style.fontWeight} 100px ${style.fontFamily}`;
      for (const letter of run.textContent) {
        const ink = pen.measureText(letter);
        const at = text.getStartPositionOfChar(place);
        place += letter.length;
        if (!letter.trim()) continue;
        box[0] = Math.min(box[0], at.x - ink.actualBoundingBoxLeft * scale);
        box[1] = Math.min(box[1], at.y - ink.actualBoundingBoxAscent * scale);
        box[2] = Math.max(box[2], at.x + ink.actualBoundingBoxRight * scale);
        box[3] = Math.max(box[3], at.y + ink.actualBoundingBoxDescent * scale);
      }
    }
    const to = text.getScreenCTM();
    return [box[0] * to.a + to.e, box[1] * to.d + to.f, box[2] * to.a + to.e, box[3] * to.d + to.f];
  };
  const ringed = (text) => { // with the circle round it
    const [left, top, right, bottom] = letters(text);
    const ring = [...text.parentElement.querySelectorAll("circle")].map(drawn)
      .find((box) => box[0] < left && box[2] > right && box[1] < top && box[3] > bottom);
    return ring || [left, top, right, bottom];
  };
  const drawn = (element) => {
    const box = element.getBoundingClientRect();
    return [box.left, box.top, box.right, box.bottom];
  };
  const bar = (element) => (element.closest(".sheet-bar") || { id: "" }).id; // brackets stand in none
  return [
    ...[...document.querySelectorAll(".sheet-bar .sheet-chord text, .sheet-words text, .sheet-jump text, .sheet-ending text, .sheet-row text, .sheet-number text, .sheet-name text")]
      .map((text) => ["text", text.textContent, bar(text), ...ringed(text)]),
    ...[...document.querySelectorAll(".sheet-mark rect")]
      .map((box) => ["text", box.nextElementSibling.textContent, bar(box), ...drawn(box)]),
    ...[...document.querySelectorAll(".sheet-bar use")]
      .map((use) => ["sign", use.getAttribute("href"), bar(use), ...drawn(use)]),
  ];
}
