// Says a door in words: the caption of its section, and the only picture that somebody has who does not see it.

import { figure, t, tAny } from "./words.ts";
import type { DoorPart } from "./wire.ts";

const HANDLE_HOME = 0.03;

function sayHandle(share: number): string {
  if (share <= HANDLE_HOME) return t("say.handle.home");
  return share >= 1 ? t("say.handle.up") : t("say.handle.between", { share: figure(share * 100) });
}

function sayLeaf(door: DoorPart): string {
  const { leaf, in_frame, hold_open } = door.mechanism;
  if (in_frame) return t("say.leaf.frame");
  if (leaf >= 1) return hold_open ? t("say.leaf.held") : t("say.leaf.free");
  return t("say.leaf.out", { share: figure(leaf * 100) });
}

function saySlide(door: DoorPart): string | null {
  const { slide } = door;
  if (slide === null) return null;
  if (slide.detached) return t("say.slide.detached");
  if (slide.released) return slide.erect ? t("say.slide.stands") : t("say.slide.filling");
  const girt = slide.left === slide.right ? (slide.left ? t("say.slide.engaged") : t("say.slide.free")) : t("say.slide.half");
  if (slide.always_armed) return girt;
  return `${girt} ${slide.pin ? t("say.pin.in") : t("say.pin.out")}`;
}

/** What is true of a door, in a few sentences. */
export function sayDoor(door: DoorPart): string {
  const { access, barrier } = door.mechanism;
  const parts = [
    sayLeaf(door),
    sayHandle(door.mechanism.handle),
    saySlide(door),
    access === "none" ? null : t("say.access", { what: tAny(`access.${access}`, access) }),
    barrier ? t("say.barrier") : null,
  ];
  return parts.filter((part) => part !== null).join(" ");
}
