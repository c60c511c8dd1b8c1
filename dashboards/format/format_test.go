package format_test

import (
	"testing"
	"time"

	"rearguard/dashboards/format"
)

func TestNumbersAndTimes(t *testing.T) {
	now := time.Date(2026, 5, 14, 9, 26, 40, 0, time.UTC)
	zone := time.FixedZone("", 2*3600)
	for got, want := range map[string]string{
		format.Number(-0.04, "°C"): "0.0", format.Number(-3.25, "°C"): "−3.2", format.Number(48.6, "%"): "49", format.Number(0.875, "kPa"): "0.88",
		format.Age(now, now.Add(-9*time.Second)): "just now", format.Age(now, now.Add(-59*time.Second)): "50 s ago", format.Age(now, time.Time{}): "never",
		format.Age(now, now.Add(time.Minute)): "in the future", format.Age(now, now.Add(-100*time.Minute)): "1 h 40 min ago",
		format.Clock(now, time.Date(2026, 5, 14, 21, 59, 0, 0, time.UTC), zone): "23:59",
		format.Clock(now, time.Date(2026, 5, 14, 22, 1, 0, 0, time.UTC), zone):  "tomorrow 00:01",
		format.Clock(now, time.Date(2027, 1, 2, 10, 0, 0, 0, time.UTC), zone):   "2 Jan 2027 12:00",
		format.Grouped(1204512): "1\u202f204\u202f512", format.Grouped(999): "999", format.Percent(0.004): "<1 %", format.Percent(0): "0 %",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
