// What people read, in their language. The English text is the key; the catalogue comes with
// /static/words/{tag}.js before any module runs, and when it doesn't come everything is said in English.

const { texts = {}, plurals = {} } = globalThis.earlybellWords ?? {};
const known = new Map(Object.entries(texts));
const tag = document.documentElement.lang || "en";

/** What `Intl` is asked for; plants write their shifts with 24 hours a day everywhere. */
export const locale = tag === "en" ? "en-GB" : tag;

const grouped = new Intl.NumberFormat(locale, { maximumFractionDigits: 1 });
const rules = new Intl.PluralRules(locale);

export const number = (value) => grouped.format(value);

/** The English `text` in this page's language, its `{names}` filled in from `values`. */
export function t(text, values = {}) {
  return fill(known.get(text) ?? text, values);
}

/** `one` or `several` by this language's rules for `n`, which also fills `{n}`. */
export function many(n, one, several, values = {}) {
  const forms = known.get(one);
  const said = Array.isArray(forms) ? forms[plurals[rules.select(n)]] ?? forms.at(-1) : n === 1 ? one : several;
  return fill(said, { n: number(n), ...values });
}

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
