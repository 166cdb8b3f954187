// Which rows stand on which page of the wall, and how. A warning stands on every page: whole where there is room, else in
// brief, its stand and what to do, so that the others still come round.

export interface WallRow {
  name: string;
  /** Stays on every page. */
  stays: boolean;
  height: number;
  brief: number;
}

export interface OnPage {
  name: string;
  whole: boolean;
}

/** Lay rows out on pages of that height, in their order. Every row stands whole on at least one page. */
export function layPages(rows: readonly WallRow[], height: number, gap: number): OnPage[][] {
  const staying = rows.filter((row) => row.stays);
  const others = rows.filter((row) => !row.stays);
  const all = staying.reduce((sum, row) => sum + row.height + gap, 0);
  const pages: OnPage[][] = [];
  if (all <= height) {
    const shown = staying.map((row) => ({ name: row.name, whole: true }));
    if (others.length === 0) return shown.length > 0 ? [shown] : [];
    if (height - all >= others.reduce((least, row) => Math.min(least, row.height), Number.POSITIVE_INFINITY)) {
      return pack(others, height - all, gap).map((page) => [...shown, ...page]);
    }
    pages.push(shown);
  } else {
    pages.push(...turnWhole(staying, height, gap));
  }
  const briefly = staying.map((row) => ({ name: row.name, whole: false }));
  const left = height - staying.reduce((sum, row) => sum + row.brief + gap, 0);
  for (const page of pack(others, left, gap)) pages.push([...briefly, ...page]);
  return pages;
}

/** Pages on which each row stands whole in turn, as many at once as fit, and the others in brief. */
function turnWhole(rows: readonly WallRow[], height: number, gap: number): OnPage[][] {
  const pages: OnPage[][] = [];
  for (let from = 0; from < rows.length; ) {
    let used = rows.reduce((sum, row) => sum + row.brief + gap, 0);
    let to = from;
    for (let row = rows[to]; row !== undefined; row = rows[to]) {
      const more = row.height - row.brief;
      if (to > from && used + more > height + gap) break;
      used += more;
      to += 1;
    }
    const [first, last] = [from, to];
    pages.push(rows.map((row, at) => ({ name: row.name, whole: at >= first && at < last })));
    from = to;
  }
  return pages;
}

/** Rows page by page; one that is higher than a page has a page to itself. */
function pack(rows: readonly WallRow[], room: number, gap: number): OnPage[][] {
  const pages: OnPage[][] = [];
  let used = Number.POSITIVE_INFINITY;
  for (const row of rows) {
    if (used + gap + row.height > room) {
      pages.push([]);
      used = -gap;
    }
    pages.at(-1)?.push({ name: row.name, whole: true });
    used += gap + row.height;
  }
  return pages;
}
