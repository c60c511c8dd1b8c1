package page_test

import (
	"testing"

	"rearguard/dashboards/web/page"
)

func TestLocalPathStaysOnTheSite(t *testing.T) {
	for path, want := range map[string]string{"//x": "/", `/\\x`: "/", "/alarms": "/alarms", "http://x": "/"} {
		if got := page.LocalPath(path, "/"); got != want {
			t.Errorf("%q: got %q, want %q", path, got, want)
		}
	}
}
