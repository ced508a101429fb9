/**
 * What a camera of this computer sees while the machine is steered, with a cross-hair over it.
 * @module
 */
import { fill, h } from "./parts.js";

const LOOK_MS = 150; // between two looks of the camera, which takes about as long itself
const CAMERAS = [0, 1, 2, 3];

export class CameraEye {
  element = h("section", { class: "card", hidden: true });
  camera = "";
  looking = 0;

  /**
   * Shows the camera while something is steered.
   * @param {boolean} steering
   */
  show(steering) {
    this.element.hidden = !steering;
    if (!steering || this.element.childElementCount) return;
    const shown = h("img", { alt: "What the camera sees, with a cross-hair in the middle", hidden: true });
    const about = h("p", { class: "aside", role: "status" });
    const number = h("select", {
      "aria-label": "Camera",
      onchange: () => {
        this.camera = number.value;
        this.lookOn(shown, about);
      },
    }, [h("option", { value: "" }, "no camera"), ...CAMERAS.map((n) => h("option", { value: String(n), selected: String(n) === this.camera }, `camera ${n}`))]);
    fill(this.element, h("h2", {}, "Camera"), h("label", { class: "field" }, h("span", {}, "A camera of this computer"), number), h("div", { class: "eye" }, shown), about);
    this.lookOn(shown, about);
  }

  /** Looks no more. */
  close() {
    clearTimeout(this.looking);
    this.looking = 0;
  }

  /**
   * Shows one look after the other, as long as something is steered.
   * @param {HTMLImageElement} shown @param {HTMLElement} about
   */
  lookOn(shown, about) {
    clearTimeout(this.looking);
    shown.hidden = !this.camera;
    about.textContent = "";
    const one = () => {
      if (!this.camera || this.element.hidden || !this.element.isConnected) return;
      shown.src = `/machine/camera/${this.camera}.jpg?${Date.now()}`;
    };
    shown.onload = () => {
      this.looking = setTimeout(one, LOOK_MS);
    };
    shown.onerror = () => {
      shown.hidden = true;
      about.textContent = `Camera ${this.camera} gives no picture: is it plugged in, and free of other programs?`;
    };
    one();
  }
}
