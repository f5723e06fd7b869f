// Checks each dashboard against the published types of dashboards: every key known, every value of its type.
//
//   npm install --prefix DIR (with package.json from here), then: node types.mjs DIR dashboards/*.json
//
// Each file becomes TypeScript literals, so that the compiler refuses unknown keys too. String enums are taken as
// their words. Keys that belong to the data source's plugin and not to the dashboard are checked by name here.
import { execFileSync } from 'node:child_process';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { basename, join } from 'node:path';

const [work, ...files] = process.argv.slice(2);
const raw = '../node_modules/@grafana/schema/dist/esm/raw';
const panel = (kind, file) => `${raw}/composable/${kind}/panelcfg/x/${file}PanelCfg_types.gen`;
const OPTIONS = {
  stat: ['stat', 'Stat', null],
  table: ['table', 'Table', 'TableFieldOptions'],
  timeseries: ['timeseries', 'TimeSeries', 'GraphFieldConfig'],
  'state-timeline': ['statetimeline', 'StateTimeline', 'FieldConfig'],
};
const OWN_OF_ANNOTATION = ['expr', 'step', 'titleFormat', 'textFormat', 'tagKeys'];
const QUERY = `{ datasource: Plain<g.DataSourceRef>; editorMode: 'code' | 'builder'; expr: string; legendFormat: string;
  refId: string; format: 'time_series' | 'table'; instant: boolean; range: boolean }`;

const problems = [];
const src = join(work, 'src');
mkdirSync(src, { recursive: true });
const names = files.map((path) => {
  const board = JSON.parse(readFileSync(path, 'utf8'));
  const name = basename(path, '.json');
  const lines = [`import type * as g from '${raw}/dashboard/x/dashboard_types.gen';`];
  lines.push(`import type * as common from '${raw}/../common/common.gen';`);
  for (const [key, [kind, file]] of Object.entries(OPTIONS)) {
    lines.push(`import type * as ${key.replace('-', '_')} from '${panel(kind, file)}';`);
  }
  lines.push('type Plain<T> = T extends string ? `${T}` : T extends (infer U)[] ? Plain<U>[] : T extends object ? { [K in keyof T]: Plain<T[K]> } : T;');
  const annotations = board.annotations.list.map((one) => {
    for (const key of OWN_OF_ANNOTATION) {
      if (typeof one[key] !== 'string') problems.push(`${name}: annotation ${one.name} has no ${key}`);
    }
    return Object.fromEntries(Object.entries(one).filter(([key]) => !OWN_OF_ANNOTATION.includes(key)));
  });
  const { panels, ...rest } = { ...board, annotations: { list: annotations } };
  lines.push(`export const board: Plain<Omit<g.Dashboard, 'panels'>> = ${JSON.stringify(rest)};`);
  panels.forEach((one, at) => {
    if (one.type === 'row') {
      lines.push(`export const p${at}: Plain<g.RowPanel> = ${JSON.stringify(one)};`);
      return;
    }
    const known = OPTIONS[one.type];
    if (!known) return void problems.push(`${name}: ${one.title} is a ${one.type}`);
    const of = one.type.replace('-', '_');
    lines.push(`export const p${at}: Plain<g.Panel> = ${JSON.stringify(one)};`);
    lines.push(`export const o${at}: Plain<${of}.Options> = ${JSON.stringify(one.options)};`);
    const custom = one.fieldConfig.defaults.custom;
    const type = { GraphFieldConfig: 'common.GraphFieldConfig', TableFieldOptions: 'Partial<common.TableFieldOptions>' };
    if (custom) lines.push(`export const c${at}: Plain<${type[known[2]] ?? `${of}.${known[2]}`}> = ${JSON.stringify(custom)};`);
    one.targets.forEach((target, n) => lines.push(`export const t${at}_${n}: ${QUERY} = ${JSON.stringify(target)};`));
  });
  writeFileSync(join(src, `${name}.ts`), lines.join('\n') + '\n');
  return join(src, `${name}.ts`);
});
const tsc = join(work, 'node_modules/typescript/bin/tsc');
const flags = ['--noEmit', '--strict', '--skipLibCheck', '--module', 'esnext', '--moduleResolution', 'bundler', '--target', 'es2022'];
try {
  execFileSync(process.execPath, [tsc, ...flags, ...names], { stdio: 'pipe' });
} catch (error) {
  problems.push(error.stdout.toString());
}
if (problems.length) {
  console.error(problems.join('\n'));
  process.exit(1);
}
console.log(`${files.length} dashboards fit the published types (@grafana/schema)`);
