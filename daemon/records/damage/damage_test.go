package damage

import "testing"

func TestWords(t *testing.T) {
	// 20574 is 1 May 2026.
	var f Found
	if f.Text() != "" {
		t.Errorf("nothing was found, and it says %q", f.Text())
	}
	for _, day := range []int64{20577, 20576, 20573, 20574} {
		if !f.Note(Hole{day, 3}, "nursery-a", false) {
			t.Errorf("day %d is new", day)
		}
	}
	if f.Note(Hole{20577, 3}, "nursery-a", false) {
		t.Error("the same day is new a second time")
	}
	f.Note(Hole{20577, 4}, "nursery-a", false)
	f.Note(Hole{20454, 0}, "", false)
	f.Note(Hole{20453, 0}, "", false)
	f.NoteOther("entry 12 of the journal")
	want := "readings of all sensors from 31 December 2025 to 1 January 2026, " +
		"readings of sensor nursery-a from 30 April to 1 May 2026, readings of sensor nursery-a from 3 to 4 May 2026, entry 12 of the journal cannot be read"
	if got := f.Text(); got != want {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if n := len(f.InTheWay()); n != 7 {
		t.Errorf("%d days are in the way, want 7", n)
	}
	f.Note(Hole{20577, 3}, "nursery-a", true)
	if n := len(f.InTheWay()); n != 6 || f.Text() != want {
		t.Errorf("%d days are in the way, want 6; it says %q", n, f.Text())
	}
	f.Accept()
	if f.Text() != "" || f.NoteOther("entry 12 of the journal") || f.Note(Hole{20577, 3}, "nursery-a", true) {
		t.Errorf("what somebody took note of is told again: %q", f.Text())
	}
	for day := range int64(20) {
		f.Note(Hole{2 * day, 9}, "hall-a", false)
	}
	const first = "readings of sensor hall-a of 1 January 1970, readings of sensor hall-a of 3 January 1970, readings of sensor hall-a of 5 January 1970, " +
		"readings of sensor hall-a of 7 January 1970, readings of sensor hall-a of 9 January 1970, readings of sensor hall-a of 11 January 1970, and 14 more cannot be read"
	if got := f.Text(); got != first {
		t.Errorf("got %q\nwant %q", got, first)
	}
}
