// Reads a calendar (RFC 5545) from standard input with ical.js and writes its events as
// JSON, so that a test can hold another reader's against them. Instants come of the
// time zones that the calendar itself describes, and of nothing else.
import ICAL from "ical.js";

let text = "";
for await (const chunk of process.stdin) text += chunk;
const calendar = new ICAL.Component(ICAL.parse(text));
const zones = new Map(calendar.getAllSubcomponents("vtimezone").map((c) => {
  const zone = new ICAL.Timezone(c);
  return [zone.tzid, zone];
}));
const instant = (property) => {
  const value = property.getFirstValue();
  if (value.isDate) return value.toString();
  const name = property.getParameter("tzid");
  if (name) {
    if (!zones.has(name)) throw new Error(`the calendar does not describe ${name}`);
    value.zone = zones.get(name);
  }
  return new Date(value.toUnixTime() * 1000).toISOString().replace(".000Z", "Z");
};
const events = calendar.getAllSubcomponents("vevent").map((event) => {
  const of = (name) => event.getFirstPropertyValue(name);
  return {
    uid: of("uid"),
    sequence: of("sequence"),
    status: of("status"),
    summary: of("summary"),
    description: of("description") ?? "",
    location: of("location") ?? "",
    url: of("url"),
    transp: of("transp"),
    stamp: instant(event.getFirstProperty("dtstamp")),
    modified: instant(event.getFirstProperty("last-modified")),
    start: instant(event.getFirstProperty("dtstart")),
    end: instant(event.getFirstProperty("dtend")),
  };
});
// ical.js knows nothing of RFC 7986, whose NAME is text: read it as it reads a text.
const name = ICAL.Property.fromString(`SUMMARY:${calendar.getFirstPropertyValue("name")}`).getFirstValue();
process.stdout.write(JSON.stringify({ name, events }));
