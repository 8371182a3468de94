// Numbers, names and times for people. The only module that knows the reader's zone and the offset to the service's clock.

import { settings } from "./dom.js";

export const QUALITY = {
  good: { mark: "✓", word: "good" },
  uncertain: { mark: "~", word: "uncertain" },
  bad: { mark: "✕", word: "bad" },
  none: { mark: "◌", word: "no value" },
  old: { mark: "◌", word: "old" },
};
export const SEVERITY = {
  alarm: { mark: "▲", word: "Alarm" },
  warning: { mark: "◆", word: "Warning" },
  info: { mark: "●", word: "Info" },
};
const SETPOINT_UNIT = { cc: "A", cv: "V", cp: "W", cr: "Ω" };

let utc = settings.get("utc", "no") === "yes";
let serverOffsetMs = 0;

export const isUtc = () => utc;
export function setUtc(value) {
  utc = value;
  settings.set("utc", value ? "yes" : "no");
}

// The service's clock decides ages; a phone's clock may be minutes off.
export function learnServerTime(text) {
  const offset = Date.parse(text) - Date.now();
  if (Number.isFinite(offset)) serverOffsetMs = offset;
}
export const serverNowMs = () => Date.now() + serverOffsetMs;

// Names end in their unit (voltage_v): drop it, it stands beside the value.
export function label(channel) {
  if (channel.name === "setpoint") return "Set-point";
  const parts = channel.name.split("_");
  if (channel.unit && parts.length > 1) parts.pop();
  const text = parts.join(" ");
  return text.charAt(0).toUpperCase() + text.slice(1);
}

export function unitOf(channel, sample) {
  if (channel.name === "setpoint") return SETPOINT_UNIT[String(sample?.status?.mode ?? "").toLowerCase()] ?? "";
  return channel.unit;
}

export function decimals(resolution) {
  if (!(resolution > 0)) return 3;
  return Math.min(6, Math.max(0, Math.ceil(-Math.log10(resolution) - 1e-9)));
}

export function number(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = value.toFixed(digits).replace("-", "−");
  return Number(value.toFixed(digits)) === 0 ? text.replace("−", "") : text;
}

// A whole number of things: thousands apart, and no line ends within.
export const count = (value) => (value === null || value === undefined ? "–" : value.toLocaleString("en").replaceAll(",", "\u202f"));

// Twice the standard uncertainty of a reading: the instrument's specification and its resolution, both rectangular, in quadrature.
export function expanded(channel, value) {
  const { percent_of_reading: percent, absolute } = channel.accuracy ?? { percent_of_reading: 0, absolute: 0 };
  const bound = (Math.abs(value) * percent) / 100 + absolute;
  return 2 * Math.hypot(bound / Math.sqrt(3), channel.resolution / Math.sqrt(12));
}

export function status(value) {
  if (Array.isArray(value)) return value.length ? value.join(", ") : "none";
  if (value === true) return "on";
  if (value === false) return "off";
  return value === null || value === undefined ? "–" : String(value);
}

export function age(seconds) {
  if (seconds < 0) return "now";
  if (seconds < 9.95) return `${seconds.toFixed(1)} s`;
  return duration(seconds);
}

export const oldness = (seconds) => (seconds < 0 ? "now" : `${age(seconds)} old`);

export function duration(seconds) {
  const s = Math.round(seconds);
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${String(s % 60).padStart(2, "0")} s`;
  if (s < 86400) return `${Math.floor(s / 3600)} h ${String(Math.floor((s % 3600) / 60)).padStart(2, "0")} min`;
  return `${Math.floor(s / 86400)} d ${Math.floor((s % 86400) / 3600)} h`;
}

// A stretch of time: "5 min", "8 h", "1 d 2 h".
export const stretch = (seconds) => duration(seconds).replace(/ 0+ (s|min|h)$/, "");

const formats = new Map();
function intl(options) {
  const key = JSON.stringify(options) + utc;
  if (!formats.has(key))
    formats.set(key, new Intl.DateTimeFormat(undefined, { ...options, hourCycle: "h23", timeZone: utc ? "UTC" : undefined }));
  return formats.get(key);
}
const HMS = { hour: "2-digit", minute: "2-digit", second: "2-digit" };

export const clock = (ms) => intl(HMS).format(ms);
export const clockMinutes = (ms) => intl({ hour: "2-digit", minute: "2-digit" }).format(ms);
// The zone of the times shown, as people abbreviate it: a clock by itself, a picture or a sheet of paper do not tell.
export const zoneName = (ms) => (utc ? "UTC" : intl({ hour: "numeric", timeZoneName: "short" }).formatToParts(ms).find((part) => part.type === "timeZoneName").value);
export const day = (ms) => intl({ day: "numeric", month: "short" }).format(ms);
export const clockTenths = (ms) => intl({ ...HMS, fractionalSecondDigits: 2 }).format(ms);

// The time, with the day where it is not today.
export function moment(ms, precise = false) {
  const time = precise ? clockTenths(ms) : clock(ms);
  return day(ms) === day(serverNowMs()) ? time : `${day(ms)} ${time}`;
}

// Instants in a sentence of ours ("2026-01-31 02:12:07 UTC") in the zone that the reader chose.
const INSTANT = /(\d{4}-\d{2}-\d{2}) (\d{2}:\d{2}:\d{2})(\.\d+)? UTC/g;
export const inZone = (text) => text.replace(INSTANT, (_, date, time, part) => moment(Date.parse(`${date}T${time}${part ?? ""}Z`), Boolean(part)));

// A sentence of the service as it stands on the page: no line ends between a number and its unit, and a minus is as long as in the readings.
const BEFORE_UNIT = /(\d) (?=(?:°C|%|A·h|W·h|rpm|min|K|Hz|[mkµ]?[VAWΩs]|[hd])(?![\w·]))/g;
const MINUS = /(^|[\s(])-(?=\d)/g;
export const prose = (text) => text.replace(BEFORE_UNIT, "$1\u00a0").replace(/± (?=\d)/g, "±\u00a0").replace(MINUS, "$1−");

export function interval(onset) {
  const from = Date.parse(onset.earliest);
  const to = Date.parse(onset.latest);
  if (to - from < 10) return `at ${moment(to, true)}`;
  return `between ${moment(from, true)} and ${moment(to, true)}`;
}

export const kind = (text) => text.replaceAll("setpoint", "set-point").replaceAll("_", " ");
