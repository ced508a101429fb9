/**
 * The first page of a window: keeps the word that lets it change things, where no other port can read it, and leads on.
 * @module
 */
const word = document.querySelector('meta[name="door"]')?.getAttribute("content");
localStorage.setItem("door", word || "");
location.replace("/");

export {};
