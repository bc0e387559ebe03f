// Which of the codes that a camera sees is the label, or that they are its pieces: labels of components often bear one
// bar code for each field, with its data identifier in front.

const GS = "\u001d";
const PIECE = /^(1P|P|Q|1T|T|S|3S|9D|10D|14D|16D|4L|13E|1V|V|K|4K|11K|2P)(.+)$/;
/** Beside a part these say that it is a label in pieces, not several labels with plain codes. */
const SURE = /^(1P.+|Q[0-9]{1,7}|1T.+|9D[0-9]{4}|10D[0-9]{4}|4L[A-Z]{2}|13E[1-6][aA]?)$/;

export const isPiece = ({ rawValue }) => PIECE.test(rawValue);

/** The text of what was meant: a whole message, else the pieces of one label, else the code nearest to the middle. */
export function oneOf(codes, width, height) {
  const off = ({ boundingBox: box }) => Math.hypot(box.x + box.width / 2 - width / 2, box.y + box.height / 2 - height / 2);
  const whole = codes.find(({ rawValue }) => rawValue.startsWith("[)>"));
  const nearest = [...codes].sort((one, other) => off(one) - off(other))[0];
  return whole?.rawValue ?? inPieces(codes.filter(isPiece).map(({ rawValue }) => rawValue)) ?? nearest.rawValue;
}

/** The pieces as one text; null where they can't be those of one label. */
function inPieces(texts) {
  const identifiers = texts.map((text) => PIECE.exec(text)[1]);
  const names = identifiers.includes("1P") || identifiers.includes("P");
  const once = new Set(identifiers).size === texts.length;
  return names && once && texts.filter((text) => SURE.test(text)).length > 1 ? texts.join(GS) : null;
}
