// Shapes that the server sends (docs/server.md, docs/facts.md). Only members that the page uses are named.

export interface Refused { code: string; what: string; todo: string }

export interface Quantity {
  id: string; symbol: string; name: string; kind: string; unit: string; geometry: string; convention: string;
  technique: string; decimals: number; section: string; vessel: string; low: number | null; high: number | null;
}

export type Point = [number, number];
export type GeometryKind = 'distance' | 'ellipse' | 'outline' | 'angle' | 'point' | 'trace' | 'interval';
export interface Geometry { kind: GeometryKind; points: Point[] }

export interface Evidence {
  type?: 'geometry' | 'report-item' | 'typed' | 'spectrum' | 'rate' | 'clip' | 'av-interval';
  geometry?: Geometry;
  method?: string;
  text?: string;
  how?: How;
  sd?: { observer?: number; caliper?: number; calibration?: number };
  image?: { object?: string; frame?: number; geometry?: Geometry };
  code?: { value: string; scheme: string; meaning: string };
  path?: string;
  [other: string]: unknown;
}

export interface How { blind: boolean; snap: boolean; mode: string; text?: string; window?: object; filters?: string[]; looks?: object[]; points?: Point[] }

export type RowState = 'accepted' | 'proposed' | 'disputed' | 'withdrawn' | 'superseded';
export interface Row {
  id: string; exam: string; fetus: string; quantity: string; value: number; unit: string; sd: number | null;
  source: 'geometry' | 'imported' | 'typed' | 'proposed'; state: RowState; version?: number;
  who: string; at: string; why?: string; supersedes?: string | null; superseded_by?: string | null;
  object?: string | null; frame?: number | null; evidence?: Evidence | null; used?: boolean;
  events?: { state: string; why: string; who: string; at: string }[];
}

export interface Centile {
  chart: string; title?: string; citation?: string; z?: number; centile?: number; low?: number; high?: number;
  text?: string; interval_text?: string; refused?: Refused; convention?: string; median?: number; chosen_by?: string;
  mom?: number; multiple?: boolean; // of a chart of medians: a multiple instead of a centile
}

export interface Value {
  key: string; fetus: string; quantity: string; symbol: string; name: string; kind: string;
  origin: 'measured' | 'derived'; value?: number; sd?: number; unit: string; text?: string; interval_text?: string;
  rule?: string; rule_text?: string; rule_by?: string; of?: number; n?: number; rows?: string[]; evidence_mark?: string; method?: string;
  formula?: { id: string; title: string; citation: string }; error_text?: string; conflict?: { what: string };
  centiles?: Centile[]; series?: unknown[]; refused?: Refused;
}

export interface DatingEvidence {
  basis: string; date?: string; estimate?: { edd?: string; ga_days_at_date?: number; sd_days?: number; formula?: string };
  refused?: Refused; chosen?: boolean; difference_days?: number; exam?: string | null; fetus?: string;
}

export interface ExamObject {
  id: string; kind: 'image' | 'clip' | 'report' | 'other'; instance?: string; number?: number; frames?: number;
  rows?: number; columns?: number; view?: string; time?: string; modes?: string[]; calibrated?: boolean;
  calibration_note?: string; measures?: string[]; series?: string; description?: string;
}

export interface Facts {
  patient?: { id?: string; name?: string; birth_date?: string; age_years?: number };
  exam?: { id: string; date?: string; time?: string; description?: string; performer?: string; institution?: string;
    equipment?: { manufacturer?: string; model?: string }[] };
  pregnancy?: { id: string; fetuses?: string[]; edd?: string; ga_days?: number; ga?: string; sd_days?: number };
  dating?: { state: string; rule?: string; rule_title?: string; edd?: string; reason?: string; evidence?: DatingEvidence[] };
  objects?: ExamObject[]; ledger?: Row[]; values?: Value[]; history?: Row[];
  limits?: { code: string; about: string; what: string; todo: string }[];
  findings?: Finding[];
  assessment?: Judgement[];
}

/** What a published rule says of the values: its conditions with their limits, and the answer. */
export interface Judgement {
  rule: string; title: string; text?: string; note?: string; citation: string; answer: 'met' | 'not-met' | 'cannot-tell'; class?: string; fetus?: string;
  conditions: { fact: string; text: string; limit?: { at_least?: number; above?: number; below?: number; at_most?: number; is?: string } }[];
}

export interface Finding { id?: string; fetus: string; structure: string; state: string; reason?: string; text?: string; objects?: string[] }

export interface StoredExam {
  id: string; date?: string; ledger?: Row[]; measurements?: Row[]; objects?: ExamObject[];
  seq?: number; findings?: Finding[]; pregnancy?: { id?: string; exams?: ExamBrief[] }; [other: string]: unknown;
}

export interface ExamBrief {
  id: string; date?: string; time?: string; description?: string; state?: string; patient_name?: string;
  patient_id?: string; objects?: number; ga?: string; ga_days?: number; measurements?: number; [other: string]: unknown;
}

export interface ExamAnswer { exam: StoredExam; facts?: Facts; refused?: Refused }

export interface Region {
  kind: '2d' | 'm-mode' | 'spectrum' | 'waveform' | 'bar' | 'graphics' | 'other'; unit_x: number; unit_y: number;
  data_type: number; box: [number, number, number, number]; delta: [number | null, number | null];
  measurable: [boolean, boolean]; absolute: [boolean, boolean]; note: string;
}

export interface Picture {
  rows: number; columns: number; frames: number; frame_ms: number | null; time_base: string; times: number[];
  samples?: number; photometric: string; transfer_syntax: string; lossy: boolean; burned_in: boolean; series: string; view: string;
  mechanical_index: number | null; thermal_bone: number | null; thermal_soft: number | null; depth_mm: number | null;
}

export interface ObjectAnswer { object: ExamObject; picture?: Picture; regions?: Region[]; relief?: boolean; refused?: Refused }

export interface Extent {
  length_mm: number | null; axis1_mm: number | null; axis2_mm: number | null; perimeter_mm: number | null;
  area_mm2: number | null; angle_deg: number | null; time_s: number | null; value_x: number | null; value_y: number | null;
}

export interface ProtocolRow {
  quantity: string; label?: string; required?: boolean; repeats?: number; rule?: string; with?: string[]; charts?: string[];
}
export interface ProtocolGroup { title: string; rows?: ProtocolRow[]; structures?: { id: string; name: string; checked?: string }[] }
export interface Protocol {
  id: string; title: string; about?: string; ga_low?: number; ga_high?: number; fetuses_min?: number;
  source?: string; groups: ProtocolGroup[]; version?: number; second_signature?: boolean;
}

export type MarkKind = 'arrow' | 'text' | 'body';
export interface Mark {
  id: string; object: string; frame: number | null; kind: MarkKind; removed?: boolean; who?: string; at?: string;
  data: { points: Point[]; text?: string; body?: string; angle?: number };
}
