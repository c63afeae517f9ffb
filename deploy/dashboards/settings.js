// Node-RED for a screen in the shop: it shows the page, and nothing else can be done there.
//
//   node-red --settings settings.js --userDir FOLDER        FOLDER holds flows.json and flows_cred.json
//
// From the environment: BENCHWARD_BROKER (mqtt://127.0.0.1:1883, or mqtts://...), BENCHWARD_LAB, BENCHWARD_USER,
// BENCHWARD_PASSWORD_FILE; where it listens: BENCHWARD_LISTEN (127.0.0.1), PORT (1880).
const { readFileSync, statSync } = require("node:fs");

process.env.BENCHWARD_BROKER ||= "mqtt://127.0.0.1:1883";
process.env.BENCHWARD_LAB ||= "";
process.env.BENCHWARD_USER ||= "dashboard";
// Who this is to the broker, which keeps trips for it while it is away. Two that run at a time need two names.
process.env.BENCHWARD_DASHBOARD ||= "benches-" + (process.env.BENCHWARD_LAB || "all");

// The password comes from a file that others can't read, as the daemon's own does.
const file = process.env.BENCHWARD_PASSWORD_FILE;
if (file) {
    const mode = statSync(file).mode & 0o777;
    if (mode & 0o027) {
        throw new Error(`${file} has the mode 0${mode.toString(8)}, and nobody but its owner and group may read it: chmod 0640 ${file}`);
    }
    process.env.BENCHWARD_PASSWORD = readFileSync(file, "utf8").split("\n")[0];
}
process.env.BENCHWARD_PASSWORD ||= "";

module.exports = {
    uiHost: process.env.BENCHWARD_LISTEN || "127.0.0.1",
    uiPort: Number(process.env.PORT || 1880),
    flowFile: "flows.json",
    // flows_cred.json names variables only: there is no secret to be kept.
    credentialSecret: false,
    // No editor and no interface to change the flow: whoever sees the page can't make it publish.
    httpAdminRoot: false,
    disableEditor: true,
    // Nothing is fetched or told over the internet while it runs.
    telemetry: { enabled: false, updateNotification: false },
    externalModules: { autoInstall: false, palette: { allowInstall: false }, modules: { allowInstall: false } },
    mqttReconnectTime: 2000,
    logging: { console: { level: "info", metrics: false, audit: false } },
};
