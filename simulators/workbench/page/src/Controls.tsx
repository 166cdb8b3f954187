// Everything that can be done at the door in front.

import { Group, Do, Slider, Switch } from "./parts.tsx";
import { Hold } from "./Hold.tsx";
import { move, order, sendFault } from "./acting.ts";
import { figure, t, tAny } from "./words.ts";
import type { DoorPart, Slide, Value } from "./wire.ts";

const percent = (share: number): string => t("percent", { share: figure(share * 100) });
const has = (door: DoorPart, signal: string): boolean => door.readings.some((reading) => reading.signal === signal);

/** What an opening and a closing need, in their order. */
export function Usual({ door }: { door: DoorPart }) {
  return (
    <div class="usual">
      {door.slide !== null && <SlideGroup door={door} slide={door.slide} />}
      <Handles door={door} />
      {door.powered ? <Hydraulics door={door} /> : <Leaf door={door} />}
      {has(door, "outside_handle_lifted") && <Outside door={door} />}
      {has(door, "access") && <Access door={door} />}
    </div>
  );
}

/** What goes on besides, and what goes wrong. */
export function Unusual({ door }: { door: DoorPart }) {
  return (
    <div class="controls">
      {door.slide !== null && <Emergency door={door} slide={door.slide} />}
      {door.marks.length > 0 && <Marks door={door} />}
      <Troubles door={door} />
    </div>
  );
}

function SlideGroup({ door, slide }: { door: DoorPart; slide: Slide }) {
  if (slide.always_armed) return null;
  return (
    <Group title={t("group.slide")}>
      <Slider label={t("lever")} value={slide.lever} max={1} step={0.05} say={percent} onMove={(to) => move(door.door, "lever", to)} />
      <Switch label={t("pin")} on={slide.pin} door={door.door} whenOn="fit pin" whenOff="remove pin" />
    </Group>
  );
}

function Handles({ door }: { door: DoorPart }) {
  const { mechanism } = door;
  // A hold door has one handle, and it is not inside.
  const [title, label] = door.powered ? [t("group.handle"), t("handle.only")] : [t("group.handles"), t("handle")];
  return (
    <Group title={title}>
      {door.kind === "overwing" && <Switch label={t("cover")} on={mechanism.cover} door={door.door} whenOn="fit cover" whenOff="remove cover" />}
      <Slider label={label} value={mechanism.handle} max={1} step={0.05} say={percent} onMove={(to) => move(door.door, "handle", to)} />
      <div class="pair">
        <Hold door={door.door} part="handle" force={1} label={t("handle.lift")} />
        <Hold door={door.door} part="handle" force={-1} label={t("handle.lower")} />
      </div>
    </Group>
  );
}

function Outside({ door }: { door: DoorPart }) {
  return (
    <Group title={t("group.outside")}>
      <Slider label={t("outside")} value={door.mechanism.outside} max={1} step={0.05} say={percent} onMove={(to) => move(door.door, "outside", to)} />
      <div class="pair">
        <Hold door={door.door} part="flap" force={1} label={t("flap")} />
      </div>
    </Group>
  );
}

function Leaf({ door }: { door: DoorPart }) {
  return (
    <Group title={t("group.leaf")}>
      <p class="figure">{t("leaf.at", { share: figure(door.mechanism.leaf * 100) })}</p>
      <div class="pair">
        <Hold door={door.door} part="leaf" force={1} label={t("leaf.push")} />
        <Hold door={door.door} part="leaf" force={-1} label={t("leaf.pull")} />
        <Hold door={door.door} part="leaf" force={0.4} label={t("leaf.push.light")} />
        {door.hold_open_lock && <Hold door={door.door} part="hold-open" force={1} label={t("leaf.release")} />}
      </div>
      {door.hold_open_lock && <p class="note">{door.mechanism.hold_open ? t("leaf.locked") : t("leaf.loose")}</p>}
    </Group>
  );
}

function Hydraulics({ door }: { door: DoorPart }) {
  const { mechanism } = door;
  return (
    <Group title={t("group.hydraulics")}>
      <p class="figure">
        {t("leaf.at", { share: figure(mechanism.leaf * 100) })} · {t("bar", { bar: figure(mechanism.actuator_bar) })}
      </p>
      <div class="pair">
        <Hold door={door.door} part="selector" force={1} label={t("selector.open")} />
        <Hold door={door.door} part="selector" force={-1} label={t("selector.close")} />
        {has(door, "hand_pump") && <Hold door={door.door} part="pump" force={1} label={t("pump")} />}
      </div>
      {has(door, "hand_pump") && <Switch label={t("pump.goes_on")} on={mechanism.pumped} door={door.door} whenOn="work hand pump" whenOff="rest hand pump" />}
      <p class="note">{t("selector.at", { word: tAny(`selector.word.${mechanism.selector}`, mechanism.selector) })}</p>
    </Group>
  );
}

const ACCESS = ["bridge", "stairs", "loader", "platform"] as const;

function Access({ door }: { door: DoorPart }) {
  const { access, barrier } = door.mechanism;
  return (
    <Group title={t("group.access")}>
      <p class="note">{access === "none" ? t("access.nothing") : t("access.there", { what: tAny(`access.${access}`, access) })}</p>
      <div class="pair">
        {access === "none"
          ? ACCESS.map((what) => <Do key={what} phrase={`dock ${what}`} door={door.door} />)
          : <Do phrase="withdraw access" door={door.door} />}
      </div>
      {has(door, "barrier") && <Switch label={t("barrier")} on={barrier} door={door.door} whenOn="fit barrier" whenOff="remove barrier" />}
    </Group>
  );
}

function Emergency({ door, slide }: { door: DoorPart; slide: Slide }) {
  return (
    <Group title={t("group.emergency")}>
      <div class="pair">
        {!slide.always_armed && <Do phrase="pull inflation handle" door={door.door} />}
        {slide.released && !slide.detached && <Do phrase="detach slide" door={door.door} />}
        {slide.released && <Do phrase="replace slide" door={door.door} />}
      </div>
      <p class="note">{t("bottle", { share: figure(slide.bottle_share * 100) })}</p>
    </Group>
  );
}

/** What somebody at the door reads there and reports; the sensors of this type do not send it. */
function Marks({ door }: { door: DoorPart }) {
  return (
    <Group title={t("group.marks")}>
      {door.marks.map((mark) => (
        <div class="pair" key={mark} role="group" aria-label={tAny(`mark.${mark}`, mark)}>
          <span class="pair-label">{tAny(`mark.${mark}`, mark)}</span>
          <Mark door={door} mark={mark} value={mark === "lock_indicator" ? "locked" : true} />
          <Mark door={door} mark={mark} value={mark === "lock_indicator" ? "unlocked" : false} />
          {isRead(door, mark) && (
            <button type="button" onClick={() => void sendFault(`door/${door.door}/${mark}`, "mend")}>
              {t("mark.unread")}
            </button>
          )}
        </div>
      ))}
    </Group>
  );
}

const isRead = (door: DoorPart, mark: string): boolean => saidOf(door, mark) !== undefined;
const saidOf = (door: DoorPart, mark: string): Value | null | undefined => door.readings.find((reading) => reading.signal === mark)?.said;

function Mark({ door, mark, value }: { door: DoorPart; mark: string; value: string | boolean }) {
  return (
    <button type="button" class="mark" aria-pressed={saidOf(door, mark) === value} onClick={() => void sendFault(`door/${door.door}/${mark}`, "set", value)}>
      {tAny(`mark.value.${String(value)}`, String(value))}
    </button>
  );
}

function Troubles({ door }: { door: DoorPart }) {
  return (
    <Group title={t("group.troubles")}>
      <div class="pair">
        {door.troubles.map((trouble) => (
          <button key={trouble.do} type="button" class="trouble-button" aria-pressed={trouble.on} onClick={() => order(trouble.do, door.door)}>
            {tAny(`do.${trouble.do}`, trouble.do)}
          </button>
        ))}
      </div>
    </Group>
  );
}
