// The package is CommonJS: an .mjs file's default import of it is the whole module, as in node, and no component.
export { Scrollbars as default, Scrollbars } from './node_modules/@grafana/ui/node_modules/react-custom-scrollbars-2/lib/index.js';
