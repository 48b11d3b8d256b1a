/* What the server sends, for the checker: see payload.py. Nothing of this runs. */

/* From plots.py: one curve or several over the case's time. */
export interface Packed { time: string; series: Record<string, { data: string; base: number; step: number }> }
export interface Look { label: string; color: string; hatch: string; sign: string }
export interface Event { id?: string; kind: string; start: number; stop: number }
export interface Lane { kind: string; name: string; spans: number[][] }
export interface Line { of: string; name: string; look: "solid" | "dashed" | "dotted"; tone: "first" | "second"; gap?: string }
export interface Spec {
  name: string; data: Packed; lines: Line[]; band?: { low: string; high: string; name: string } | null;
  range: [number, number]; unit: string; digits: number; limits?: { at: number; name: string }[];
  events?: Event[]; lanes?: Lane[]; height: number; sync: string; ticks?: boolean;
  domain?: [number, number]; zone?: [number, number];
}

export interface Shape { points?: string; cx: number; cy: number; r: number; x: number; y: number; w: number; h: number }
export interface Field { start: number; stop: number; shape: Shape | null; cx: number; cy: number; r: number }
export interface Segment {
  name: string; start: number; length: number; from: number; width: number; height: number;
  rate: number; proxy: number | null; coarse: boolean; fields: Field[]; placed: [number, number, number, number];
}
export interface Finding {
  id: string; kind: string; where: string; start: number; stop: number; severity: string;
  level: number | null; lost: number | null; action: string; actions: string[]; needs: boolean; rejectable: boolean; kept: string; stays: boolean;
  reasons: string[]; box: [number, number, number, number] | null;
  decision: { verb: string; by: string; reason: string } | null;
}
export interface Position { x: number; y: number; width_ratio: number; height_ratio?: number; angle_deg?: number }
export interface MarkFound { crop_loss: number | null; visibility: number | null }
export interface Mark extends MarkFound { text: string; positions: Position[]; goal: number | null; band: (number | null)[] }
export interface Setting { name: string; words: string; value: number; low: number; high: number; unit: string; comment: string }
export interface LeavingText { where: string; text: string; words: string[]; more: number; unseen: string; by: string | null }
export interface CaseFile { kind: string; words: string; place: string; clip: string }
export interface View {
  case: string; title: string; profile: string; state: string; duration: number; canvas: [number, number];
  segments: Segment[]; findings: Finding[]; plots: Record<string, Spec>; narration: number[][]; speech: number[][];
  mark: Mark; sound: Setting[]; chapters: [number, string][];
  checklist: { identifier?: string; found?: string; treated?: string }[];
  texts: LeavingText[]; warnings: string[]; cautions: string[]; version: number; current: boolean; plan: string;
  undo: string | null; redo: string | null; signed: { by: string; at: string } | null;
  report: boolean; files: CaseFile[]; waiting: boolean;
}
export interface Check { check: string; measured: string; limit: string; unit: string; passed: boolean }
export interface Job {
  number: number; case: string; state: string; share: number; doing: string; version: number;
  result: { state: string; message: string; checks: Check[] } | null; error: Told | null;
}
/* A refusal; status 0: nobody answered. */
export interface Told { status: number; what: string; got: string; do: string }

/* What the page is told once: the names of things, so that it has none of its own. */
export interface Start {
  base: string; by: string; view: View;
  looks: Record<string, Look>;
  words: {
    actions: Record<string, string>; verbs: Record<string, string>; jobs: Record<string, string>;
    unnamed: Look;
  };
  addable: { kind: string; name: string; box: boolean }[];
  /* Lanes under the plot; without kinds: the narration. */
  lanes: { kind: string; name: string; kinds: string[] }[];
  /* Kinds of finding; event: drawn over the plot of the picture. */
  kinds: { kind: string; name: string; event: boolean }[];
}
/* A decision on its way. seen: the version that the person saw; null: the one after the decision before it. */
export interface Waiting {
  id: string; by: string; seen: number | null; what: Asked; done?: string; resolve?: (saved: boolean) => void;
}
export interface Asked {
  verb: string; finding?: string; reason?: string; target?: number; plan?: string; value?: Record<string, unknown>;
}

declare global {
  const uPlot: any;
  interface HTMLVideoElement { busy?: boolean; want?: number; coarse?: boolean }
  interface Window { Review: object; Report: object }
}
