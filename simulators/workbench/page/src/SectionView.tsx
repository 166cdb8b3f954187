// The section of the door in front, with a handle that can be drawn up by its grip.

import { useMemo, useRef } from "preact/hooks";
import { move } from "./acting.ts";
import { sayDoor } from "./describe.ts";
import { drawSection, liftedAt, type Section, type Shape } from "./scene.ts";
import { figure, t } from "./words.ts";
import type { DoorPart } from "./wire.ts";

const WIDTH = 640;
const HEIGHT = 420;
/** A gloved finger. */
const FINGER = 36;

function Drawn({ shape }: { shape: Shape }) {
  switch (shape.shape) {
    case "line":
      return <line class={shape.class} x1={shape.x1} y1={shape.y1} x2={shape.x2} y2={shape.y2} />;
    case "path":
      return <path class={shape.class} d={shape.d} />;
    case "dot":
      return <circle class={shape.class} cx={shape.x} cy={shape.y} r={shape.r} />;
  }
}

/** What a finger or a mouse takes hold of; the keyboard has the slider below. */
function Grip({ door, grip }: { door: DoorPart; grip: NonNullable<Section["grip"]> }) {
  const about = useRef(grip.about);
  const drawn = useRef(false);
  const draw = (event: PointerEvent & { currentTarget: SVGCircleElement }): void => {
    const matrix = event.currentTarget.ownerSVGElement?.getScreenCTM();
    if (!drawn.current || matrix == null) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    move(door.door, "handle", Math.round(liftedAt(about.current, at) * 50) / 50);
  };
  const stop = (): void => void (drawn.current = false);
  return (
    <circle
      class="reach"
      cx={grip.at.x}
      cy={grip.at.y}
      r={FINGER}
      onPointerDown={(event) => {
        event.currentTarget.setPointerCapture(event.pointerId);
        about.current = grip.about;
        drawn.current = true;
      }}
      onPointerMove={draw}
      onPointerUp={stop}
      onPointerCancel={stop}
    />
  );
}

export function SectionView({ door, wind_kt }: { door: DoorPart; wind_kt: number }) {
  const section = useMemo(() => drawSection(door, wind_kt, WIDTH, HEIGHT), [door, wind_kt]);
  const said = sayDoor(door);
  const { frame } = section;
  return (
    <figure class="section">
      <svg viewBox={`0 0 ${WIDTH} ${HEIGHT}`} role="img" aria-label={t("section.label", { door: door.door })}>
        {section.shapes.map((shape, at) => (
          <Drawn key={at} shape={shape} />
        ))}
        <text class="side" x={12} y={frame.sill - 8}>
          {t("section.inside")}
        </text>
        <text class="side" x={WIDTH - 10} y={frame.ground + 23} text-anchor="end">
          {t("section.ground", { drop: figure(door.sill_m, 1) })}
        </text>
        <text class="side" x={WIDTH - 20} y={22} text-anchor="end">
          {t("section.wind", { wind: figure(wind_kt) })}
        </text>
        {section.grip !== null && <Grip door={door} grip={section.grip} />}
      </svg>
      <figcaption>
        {said} {section.grip !== null && <span class="hint">{t("section.hint")}</span>}
      </figcaption>
    </figure>
  );
}
