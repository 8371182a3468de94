// Draws the panels of a dashboard with Grafana's published components, out of answers of a real InfluxDB.
//
// What stands here in place of Grafana itself: reading an InfluxQL answer into frames (its data source), the list of field options that
// a panel registers (its plugins), the grid. Units, overrides, thresholds, reductions, transformations, plots, legends, tables and numbers
// are Grafana's own code. Its panels `xychart` and `state-timeline` are not published: see `stand-in`.
import React from 'react';
import { createRoot } from 'react-dom/client';
import * as data from '@grafana/data';
import * as ui from '@grafana/ui';

const theme = data.createTheme({ colors: { mode: 'light' } });
const process = (value) => value;
const property = (path, how = process, isCustom = false) => ({
  id: isCustom ? `custom.${path}` : path, path, name: path, isCustom, process: how, override: () => null, editor: () => null,
  shouldApply: () => true,
});
const STANDARD = [
  property('unit', data.unitOverrideProcessor), property('min', data.numberOverrideProcessor), property('max', data.numberOverrideProcessor),
  property('decimals', data.numberOverrideProcessor), property('displayName', data.displayNameOverrideProcessor),
  property('noValue'), property('color'), property('thresholds', data.thresholdsOverrideProcessor),
  property('mappings', data.valueMappingsOverrideProcessor), property('links'), property('filterable'),
];
const CUSTOM = [
  'lineWidth', 'fillOpacity', 'fillBelowTo', 'spanNulls', 'showPoints', 'pointSize', 'drawStyle', 'lineInterpolation', 'axisPlacement',
  'axisLabel', 'scaleDistribution', 'thresholdsStyle', 'gradientMode', 'hideFrom', 'cellOptions', 'width', 'align', 'insertNulls', 'stacking',
];
const DEFAULTS = { hideFrom: { legend: false, tooltip: false, viz: false }, drawStyle: 'line', lineInterpolation: 'linear', pointSize: 5,
  axisPlacement: 'auto', scaleDistribution: { type: 'linear' }, gradientMode: 'none', thresholdsStyle: { mode: 'off' } };
const transformers = new Map(Object.values(data.standardTransformers).filter((one) => one?.id).map((one) => [one.id, one])); // some stand twice
data.standardTransformersRegistry.setInit(() => [...transformers.values()].map((one) => ({
  id: one.id, name: one.name, transformation: () => Promise.resolve(one), editor: () => null, description: '',
})));
const registry = new data.FieldConfigOptionsRegistry(() => [...STANDARD, ...CUSTOM.map((path) => property(path, process, true))]);

// The data source: an answer's series as frames.
function frames(panel, target, series) {
  if (target.resultFormat === 'table') return [table(target, series)];
  return series.flatMap((one) => one.columns.slice(1).map((column, k) => {
    const name = (target.alias || `${one.name}.${column}`).replace(/\$tag_(\w+)/g, (_, tag) => one.tags?.[tag] ?? '').replace(/\$col/g, column)
      .replace(/\$m\b/g, one.name).trim();
    return data.toDataFrame({ refId: target.refId, name, fields: [
      { name: 'Time', type: data.FieldType.time, values: one.values.map((row) => row[0] / 1e6), config: {} },
      { name: 'Value', type: data.FieldType.number, values: one.values.map((row) => row[k + 1]), labels: one.tags,
        config: { displayNameFromDS: name } },
    ] });
  }));
}

function table(target, series) {
  const tags = [...new Set(series.flatMap((one) => Object.keys(one.tags ?? {})))];
  const columns = [...new Set(series.flatMap((one) => one.columns.slice(1)))];
  const rows = series.flatMap((one) => one.values.map((row) => ({ Time: row[0] / 1e6, ...one.tags,
    ...Object.fromEntries(one.columns.slice(1).map((column, k) => [column, row[k + 1]])) })));
  const type = (name) => (rows.some((row) => typeof row[name] === 'string') ? data.FieldType.string : data.FieldType.number);
  return data.toDataFrame({ refId: target.refId, fields: [
    { name: 'Time', type: data.FieldType.time, values: rows.map((row) => row.Time), config: {} },
    ...[...tags, ...columns].map((name) => ({ name, type: type(name), values: rows.map((row) => row[name] ?? null), config: {} })),
  ] });
}

// What a panel's plugin takes where the dashboard says nothing.
function fieldConfigOf(panel) {
  const { defaults, overrides } = panel.fieldConfig;
  const color = { mode: panel.type === 'timeseries' ? 'palette-classic' : 'thresholds' };
  return { defaults: { color, ...defaults }, overrides };
}

async function prepared(panel, answers) {
  let read = panel.targets.flatMap((target) => frames(panel, target, answers[target.refId] ?? []));
  read = await new Promise((resolve, reject) => data.transformDataFrame(panel.transformations ?? [], read).subscribe({ next: resolve, error: reject }));
  const shown = data.applyFieldOverrides({ data: read, fieldConfig: fieldConfigOf(panel), replaceVariables: (text) => text,
    theme, fieldConfigRegistry: registry, timeZone: 'utc' });
  for (const frame of shown) for (const field of frame.fields) {
    const custom = { ...DEFAULTS, ...field.config.custom };
    field.config.custom = custom;
  }
  return shown;
}

function Lines({ panel, shown, width, height, range }) {
  const { legend } = panel.options;
  return <ui.TimeSeries frames={shown} structureRev={1} width={width} height={height} timeRange={range} timeZone="utc"
    legend={{ ...legend, calcs: legend.calcs ?? [] }} options={panel.options} />;
}

function Numbers({ panel, shown, width, height }) {
  const values = data.getFieldDisplayValues({ fieldConfig: panel.fieldConfig, reduceOptions: panel.options.reduceOptions, data: shown,
    replaceVariables: (text) => text, theme, timeZone: 'utc' });
  return <div style={{ display: 'flex' }}>{values.map((one, k) =>
    <ui.BigValue key={k} value={one.display} theme={theme} width={Math.floor(width / values.length)} height={height}
      colorMode={panel.options.colorMode} graphMode={panel.options.graphMode} textMode={panel.options.textMode} />)}</div>;
}

const Rows = ({ shown, width, height }) => <ui.Table data={shown[0]} width={width} height={height} />;

// Not Grafana's drawing: the numbers as Grafana's overrides and units write them, for panels whose code is not published.
const StandIn = ({ shown, height }) => <div className="stand-in" style={{ height, overflow: 'auto' }}>{shown.map((frame, k) => {
  const [, field] = frame.fields;
  const last = field.values.at(-1);
  return <p key={k}>{data.getFieldDisplayName(field, frame, shown)}: {data.formattedValueToString(field.display(last))}</p>;
})}</div>;

const Nothing = () => <p>No data</p>;

const KINDS = { timeseries: Lines, stat: Numbers, table: Rows, 'state-timeline': StandIn, xychart: StandIn };
// Grafana: a cell is 30 px high, with 8 px between cells
const CELL = 38, UNIT = 1200 / 24;

async function draw(board, answers, from_ms, to_ms) {
  const range = { from: data.dateTime(from_ms), to: data.dateTime(to_ms), raw: { from: 'now-1h', to: 'now' } };
  const panels = [];
  for (const panel of board.panels) if (panel.type !== 'row') panels.push([panel, await prepared(panel, answers[panel.id])]);
  const bottom = Math.max(...panels.map(([panel]) => panel.gridPos.y + panel.gridPos.h));
  const root = createRoot(document.getElementById('root'));
  root.render(
    <data.ThemeContext.Provider value={theme}>
      <ui.GlobalStyles />
      <div style={{ position: 'relative', width: 1200, height: bottom * CELL }}>
        {panels.map(([panel, shown]) => {
          const { x, y, w, h } = panel.gridPos;
          const Kind = shown.length ? KINDS[panel.type] : Nothing;
          return <section key={panel.id} data-panel={panel.title} style={{ position: 'absolute', left: x * UNIT, top: y * CELL }}>
            <ui.PanelChrome title={panel.title} description={panel.description} width={w * UNIT - 8} height={h * CELL - 8}>
              {(width, height) => <Kind panel={panel} shown={shown} width={width} height={height} range={range} />}
            </ui.PanelChrome>
          </section>;
        })}
      </div>
    </data.ThemeContext.Provider>,
  );
}

window.drawDashboard = draw;
