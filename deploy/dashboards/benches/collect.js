// Keeps what the lab says, and every second makes one picture of it for the page.
//
// In: messages of MQTT (topic, payload, retain, messageExpiryInterval); the state of the connection to the broker, with topic
// "broker"; every second, topic "tick". Out: on every tick, a picture (payload), which the page shows as it is.
//
// Nothing is known here of benches or labs before they speak. A value counts for as long as its own message says (message
// expiry, three heartbeats of the daemon), so that no clock is compared with another, and none has to be configured.

const HOUR_MS = 3_600_000;
// What a chart shows, 60 minutes if nothing is said, in 360 points.
const SPAN_MS = (Number(env.get("BENCHWARD_CHART_MINUTES")) || 60) * 60_000;
const POINT_MS = SPAN_MS / 360;
// A bench of which nothing was heard for a day isn't there any more.
const FORGOTTEN_MS = 24 * HOUR_MS;
// What counts for a message that doesn't say for how long.
const LASTS_S = 60;
// How many trips of the past are listed.
const LISTED = 8;

const now = Date.now();
const kept = context.get("kept") || { broker: "not connected", labs: {}, benches: {}, past: {} };
const words = String(msg.topic || "").split("/");

if (msg.topic === "tick") {
    msg = { payload: picture() };
} else {
    take();
    msg = null;
}
context.set("kept", kept);
return msg;

function take() {
    if (msg.topic === "broker") {
        kept.broker = msg.payload;
        return;
    }
    const [root, lab, ...rest] = words;
    if (root !== "benchward" || msg.payload === "" || msg.payload === undefined) return;
    const until = now + 1000 * (msg.messageExpiryInterval || LASTS_S);
    if (rest.length === 1) {
        const about = (kept.labs[lab] ||= {});
        if (rest[0] === "online") {
            if (about.online !== msg.payload) about.since = now;
            about.online = msg.payload;
        }
        if (rest[0] === "alarm") about.alarms = msg.payload.alarms;
        if (rest[0] === "archive") about.archive = msg.payload.text;
        return;
    }
    const [station, what, name] = rest;
    const key = `${lab}/${station}`;
    if (what === "history" && name === "trip") {
        happened(lab, station, msg.payload);
        return;
    }
    // Only a state makes a bench: a run is kept by the broker for ever, also of one that the lab has no more.
    if (what !== "state" && !kept.benches[key]) {
        kept.early ||= {};
        if (what === "run") (kept.early[key] ||= {}).run = msg.payload;
        return;
    }
    const bench = (kept.benches[key] ||= { lab, station, channels: {}, points: [], ...(kept.early || {})[key] });
    bench.heard = now;
    const fresh = { ...msg.payload, until };
    if (what === "state") bench.state = fresh;
    if (what === "control") bench.control = fresh;
    if (what === "run") bench.run = msg.payload;
    if (what === "channel") bench.channels[name] = fresh;
}

// A trip, out of the lab's journal: also one of a time when nobody could hear it. One that comes twice has the same number.
function happened(lab, station, payload) {
    if (payload.standing !== "tripped") return;
    const past = (kept.past[lab] ||= []);
    if (past.some((one) => one.n === payload.n)) return;
    const { n, interlock, late } = payload;
    past.push({ n, time: Date.parse(payload.time), station, interlock, late });
    past.sort((one, other) => other.n - one.n);
    past.length = Math.min(past.length, LISTED);
}

function picture() {
    const benches = Object.keys(kept.benches)
        .sort((one, other) => one.localeCompare(other, "en", { numeric: true }))
        .map((key) => {
            const bench = kept.benches[key];
            if (now - bench.heard > FORGOTTEN_MS) {
                delete kept.benches[key];
                return null;
            }
            return shown(bench);
        })
        .filter(Boolean);
    const labs = Object.keys(kept.labs)
        .sort()
        .map((lab) => ({
            lab,
            silent: silent(lab),
            alarms: (kept.labs[lab].alarms || []).map((alarm) => `${alarm.station}: ${alarm.text}`),
            archive: kept.labs[lab].archive || "",
            past: (kept.past[lab] || []).map((one) => ({ ...one, when: when(one.time) })),
        }));
    return { at: now, broker: kept.broker, minutes: SPAN_MS / 60_000, labs, benches };
}

// Why nothing of a lab is known now; empty: it is.
function silent(lab) {
    if (kept.broker !== "connected") return `this page has no connection to the broker (${kept.broker})`;
    const about = kept.labs[lab] || {};
    if (about.online === true) return "";
    if (about.online === false) return `the lab's daemon is away since ${when(about.since)}`;
    return "the lab's daemon has not said that it is there";
}

function shown(bench) {
    const { state, lab, station } = bench;
    const lasts = (value) => value !== undefined && value.until > now;
    const why = lasts(state) ? "" : "Its state has run out. ";
    const stale = Boolean(silent(lab) || why);
    const run = bench.run && bench.run.run === state.run && bench.run.outcome === undefined ? bench.run : {};
    const last = bench.run && bench.run.outcome !== undefined ? bench.run : undefined;
    // One that has run out is no temperature.
    const control = lasts(bench.control) ? bench.control : { celsius: null, heat: null, target_celsius: null };
    const good = Object.entries(bench.channels)
        .filter(([, channel]) => lasts(channel))
        .map(([name, channel]) => ({ name, celsius: channel.celsius, quality: channel.quality }));
    const readings = good.filter((channel) => typeof channel.celsius === "number");
    const hottest = readings.length ? Math.max(...readings.map((channel) => channel.celsius)) : null;
    const celsius = typeof control.celsius === "number" ? control.celsius : null;
    note(bench, stale ? null : celsius);
    const interlocks = state.interlocks || [];
    const has = (standing) => interlocks.filter((one) => one.standing === standing);
    return {
        lab,
        station,
        stale,
        why,
        heard: when(bench.heard),
        phase: phase(state, run),
        tripped: [...has("tripped"), ...has("acknowledged")].map((one) => ({
            interlock: one.interlock,
            text: one.text,
            seen: one.standing === "acknowledged",
        })),
        warnings: has("warning").map((one) => one.text),
        cautions: [...(state.cautions || []), ...(state.driver === "up" ? [] : ["a driver of this bench is down"])],
        waits: state.waits_for || "",
        board: board(state, run, last),
        safe: run.safe ? when(Date.parse(run.safe)).replace(/:\d\d$/, "") : "",
        handle: handle(state, good),
        celsius: celsius ?? hottest,
        measured: celsius !== null ? "control" : hottest !== null ? "hottest that can be read" : "",
        target: control.target_celsius,
        ceiling: state.ceiling_celsius,
        heat: control.heat,
        channels: good,
        chart: chart(bench, state.ceiling_celsius),
    };
}

// Whether a hand may touch the board. Safe is only what the daemon found below the recipe's limit, with every channel still read.
function handle(state, channels) {
    if (state.phase === "idle") return "idle";
    if (state.phase !== "cool") return "hot";
    return channels.length && channels.every((channel) => channel.quality === "good") ? "safe" : "unknown";
}

// What is on the bench, or how the last run ended: a line each.
function board(state, run, last) {
    if (run.recipe) return [`run ${run.run}, board ${run.serial}`, run.recipe];
    if (state.run) return [`run ${state.run}`];
    return last ? [`run ${last.run} ${last.outcome}`, `at ${when(Date.parse(last.time))}`] : [];
}

function phase(state, run) {
    const stage = state.stage && run.stages ? ` ${state.stage} of ${run.stages}` : "";
    return {
        idle: "idle",
        ramp: `ramp, stage${stage}`,
        dwell: `dwell, stage${stage}`,
        cooldown: "cooling down",
        cool: "cool",
        ended: "ended",
    }[state.phase];
}

// A point of the chart, null where nothing was known.
function note(bench, celsius) {
    const points = bench.points;
    const last = points[points.length - 1];
    if (last && now - last[0] < POINT_MS) {
        // The highest of its time: a peak stays a peak.
        if (celsius !== null && (last[1] === null || celsius > last[1])) last[1] = celsius;
        return;
    }
    points.push([now, celsius]);
    while (points.length && now - points[0][0] > SPAN_MS) points.shift();
}

// The chart as the path of a line in a square of 1000 by 1000, its time from left to right, 0 °C at the bottom.
function chart(bench, ceiling) {
    const values = bench.points.map(([, celsius]) => celsius).filter((celsius) => celsius !== null);
    const top = Math.ceil((Math.max(ceiling, ...values) * 1.1) / 20) * 20;
    let path = "";
    let pen = false;
    for (const [time, celsius] of bench.points) {
        if (celsius === null) {
            pen = false;
            continue;
        }
        const x = Math.round(1000 - ((now - time) / SPAN_MS) * 1000);
        const y = Math.round(1000 - (Math.max(celsius, 0) / top) * 1000);
        path += `${pen ? "L" : "M"}${x} ${y}`;
        // A lone point is seen, too.
        if (!pen) path += "h1";
        pen = true;
    }
    return { path, top, ceiling: Math.round(1000 - (ceiling / top) * 1000) };
}

// The time of day, of this machine; with the date where it isn't today's.
function when(time) {
    if (!time) return "the start of this page";
    const at = new Date(time);
    const two = (number) => String(number).padStart(2, "0");
    const clock = `${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}`;
    const day = `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
    return at.toDateString() === new Date(now).toDateString() ? clock : `${day} ${clock}`;
}
