// Moments as the pages write them: `14:32 CST`, and with the day `Thu 26 Nov 2026, 14:32 CST`, in the site's zone.

const { lang, dataset } = document.documentElement;
const timeZone = dataset.zone || undefined;
const DAY = { weekday: "short", day: "numeric", month: "short", year: "numeric" };
const CLOCK = { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZoneName: "short" };

function parts(moment, options) {
  const found = new Intl.DateTimeFormat(lang === "en" ? "en-US" : lang, { ...options, timeZone }).formatToParts(moment);
  return Object.fromEntries(found.map(({ type, value }) => [type, value]));
}

/* `14:32 CST` of an ISO moment. */
export function clock(iso) {
  const { hour, minute, timeZoneName } = parts(new Date(iso), CLOCK);
  return `${hour}:${minute} ${timeZoneName}`;
}

/* The same, with the day before it if that is not today at the site. */
export function moment(iso) {
  const day = (when) => {
    const { weekday, day: date, month, year } = parts(when, DAY);
    return `${weekday} ${date} ${month} ${year}`;
  };
  const on = day(new Date(iso));
  return on === day(new Date()) ? clock(iso) : `${on}, ${clock(iso)}`;
}
