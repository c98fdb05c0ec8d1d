// Every word of the page. English is the key; `words.json` holds the other languages, and nothing else holds text.

export const LANGUAGES = { en: "English", es: "Español" };

let catalogue = {};
let language = "en";

export async function loadWords() {
  const kept = localStorage.getItem("language") || navigator.language.slice(0, 2);
  language = kept in LANGUAGES ? kept : "en";
  document.documentElement.lang = language;
  if (language !== "en") {
    catalogue = await (await fetch("/static/words.json")).json();
  }
}

export function chooseLanguage(code) {
  localStorage.setItem("language", code);
  location.reload();
}

export const currentLanguage = () => language;

// The text in the language of this device, with {names} filled in. What the catalogue lacks (a trailer's own words, an
// explanation made of numbers) stays as it is.
export function t(text, fill) {
  const said = (language !== "en" && catalogue[text]?.[language]) || text;
  return fill ? said.replace(/\{(\w+)\}/g, (whole, name) => fill[name] ?? whole) : said;
}
