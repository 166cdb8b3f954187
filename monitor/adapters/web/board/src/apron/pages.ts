// Which rows stand on which page of the wall, and how. Every row stands whole on one page. A warning stands on every page
// where there is room for it, whole or in brief (its stand and what to do); those that find none are named.

export interface WallRow {
  name: string;
  /** A warning: it is wanted on every page. */
  stays: boolean;
  height: number;
  brief: number;
}

export interface OnPage {
  name: string;
  whole: boolean;
}

export interface WallPage {
  rows: OnPage[];
  /** Warnings that this page has no room for. */
  more: string[];
}

/** Measures of a page, px: `line` is the height of the line that names further warnings. */
export interface Room {
  height: number;
  gap: number;
  line: number;
}

/** Of a page with calm rows, warnings in brief take no more than this. */
const BRIEFS_SHARE_MAX = 0.4;

/** Lay rows out on pages, warnings first. */
export function layPages(rows: readonly WallRow[], room: Room): WallPage[] {
  const { height, gap, line } = room;
  const staying = rows.filter((row) => row.stays);
  const others = rows.filter((row) => !row.stays);
  const all = staying.reduce((sum, row) => sum + row.height + gap, 0);
  const briefs = staying.reduce((sum, row) => sum + row.brief + gap, 0);
  const rest = height - Math.min(briefs, Math.max(height * BRIEFS_SHARE_MAX, line + gap));
  const left = height - all;
  if (left + gap < 0) {
    const pages = [...pack(staying, () => height - gap - line, gap), ...pack(others, () => rest, gap)];
    return fill(pages, staying, room);
  }
  const begun = staying.length > 0;
  const beside = pack(others, () => left, gap, begun).map((page) => [...staying, ...page]);
  const after = pack(others, (page) => (page === 0 ? left : rest), gap, begun).map((page, at) => (at === 0 ? [...staying, ...page] : page));
  const fits = others.every((row) => row.height <= left) && beside.length <= after.length;
  return fill(fits ? beside : after, staying, room);
}

/** Whether a row stands whole on a page. */
export const isWhole = (page: WallPage, name: string): boolean => page.rows.some((each) => each.whole && each.name === name);

/** The row by which a page is found again when pages are laid anew: the first that stands whole on it and not on the one before. */
export function leadOf(pages: readonly WallPage[], at: number): string {
  const whole = pages[at]?.rows.filter((each) => each.whole) ?? [];
  const before = at > 0 ? pages[at - 1] : undefined;
  return (whole.find((each) => before === undefined || !isWhole(before, each.name)) ?? whole[0])?.name ?? "";
}

/** Rows page by page in their order; one that is higher than a page has a page to itself. A first page that is begun may stay as it is. */
function pack(rows: readonly WallRow[], room: (page: number) => number, gap: number, begun = false): WallRow[][] {
  const pages: WallRow[][] = [[]];
  let used = 0;
  for (const row of rows) {
    const taken = (pages.at(-1)?.length ?? 0) > 0 || (begun && pages.length === 1);
    if (taken && used + row.height > room(pages.length - 1)) {
      pages.push([]);
      used = 0;
    }
    pages.at(-1)?.push(row);
    used += row.height + gap;
  }
  return begun ? pages : pages.filter((page) => page.length > 0);
}

/** Put the other warnings on each page in brief for as long as there is room, so that each comes round, and name the rest. */
function fill(pages: readonly (readonly WallRow[])[], staying: readonly WallRow[], { height, gap, line }: Room): WallPage[] {
  let next = 0;
  return pages.map((page) => {
    const whole = new Set(page);
    const last = staying.findLastIndex((row) => whole.has(row));
    if (last >= 0) next = last + 1;
    const turned = staying.map((_, at) => staying[(next + at) % staying.length]).filter((row) => row !== undefined);
    const missing = turned.filter((row) => !whole.has(row));
    let left = height - page.reduce((sum, row) => sum + row.height + gap, 0);
    const brief = new Set<WallRow>();
    for (const row of missing) {
      const further = missing.length - brief.size > 1 ? gap + line : 0;
      if (row.brief + further > left) break;
      brief.add(row);
      left -= row.brief + gap;
    }
    if (last < 0) next += brief.size;
    return {
      rows: [
        ...staying.filter((row) => whole.has(row)).map(({ name }) => ({ name, whole: true })),
        ...missing.filter((row) => brief.has(row)).map(({ name }) => ({ name, whole: false })),
        ...page.filter((row) => !row.stays).map(({ name }) => ({ name, whole: true })),
      ],
      more: staying.filter((row) => !whole.has(row) && !brief.has(row)).map(({ name }) => name),
    };
  });
}
