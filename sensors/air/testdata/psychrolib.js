// Reads {"cases": [[temperature C, relative humidity 0..1, pressure Pa], ...],
// "altitudes": [m, ...]} from standard input and writes what the psychrolib
// package found beside NODE_PATH says about each.
const lib = require("psychrolib");
lib.SetUnitSystem(lib.SI);
const input = JSON.parse(require("fs").readFileSync(0, "utf8"));
const cases = input.cases.map(([t, rh, p]) => {
  const w = lib.GetHumRatioFromRelHum(t, rh, p);
  const dew = lib.GetTDewPointFromRelHum(t, rh);
  return {
    saturation: lib.GetSatVapPres(t),
    vapor: lib.GetVapPresFromRelHum(t, rh),
    deficit: lib.GetVaporPressureDeficit(t, w, p),
    dew: dew,
    humidity: lib.GetRelHumFromTDewPoint(t, dew),
    ratio: w,
    specific: lib.GetSpecificHumFromHumRatio(w),
    wet: lib.GetTWetBulbFromRelHum(t, rh, p),
  };
});
const pressures = input.altitudes.map((m) => lib.GetStandardAtmPressure(m));
process.stdout.write(JSON.stringify({ cases, pressures }));
