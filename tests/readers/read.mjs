// Run by node: what two readers of another language find in a hand-over, as JSON.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

// with fetch there, the reader takes the path of its own database engine for an address
delete globalThis.fetch;
const [modules, folder, ...rasters] = process.argv.slice(2);
const require = createRequire(`${modules}/`);
const found = { layers: {}, rasters: {} };

const { GeoPackageAPI, setSqljsWasmLocateFile } = require("@ngageoint/geopackage");
setSqljsWasmLocateFile((file) => require.resolve(`rtree-sql.js/dist/${file}`));
const bytes = new Uint8Array(readFileSync(`${folder}/site.gpkg`));
const geopackage = await GeoPackageAPI.open(bytes);
for (const name of geopackage.getFeatureTables()) {
  let count = 0;
  for (const feature of geopackage.iterateGeoJSONFeatures(name)) count += feature.geometry ? 1 : 0;
  found.layers[name] = { count, code: geopackage.getFeatureDao(name).srs.organization_coordsys_id };
}

const { fromArrayBuffer } = require("geotiff");
for (const name of rasters) {
  const file = readFileSync(`${folder}/${name}`);
  const tiff = await fromArrayBuffer(file.buffer.slice(file.byteOffset, file.byteOffset + file.length));
  const image = await tiff.getImage();
  const [cells] = await image.readRasters();
  found.rasters[name] = {
    shape: [image.getHeight(), image.getWidth()],
    box: image.getBoundingBox(),
    keys: image.getGeoKeys(),
    nodata: image.getGDALNoData(),
    highest: cells.reduce((most, value) => Math.max(most, value), -Infinity),
  };
}
console.log(JSON.stringify(found));
