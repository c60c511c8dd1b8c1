package records

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/sensors"
)

// childEnv says to the test binary that it is the child process of a test,
// and holds the path of the records.
const childEnv = "RECORDS_TEST_CHILD"

// child starts this test once more in a process of its own.
func child(t *testing.T, path string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, "-test.run=^"+t.Name()+"$", "-test.v")
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	cmd.Stderr = os.Stderr
	return cmd
}

// batchNumber is batch n of a run that tests what is left after a crash. Its
// readings follow each other by ten minutes, so that rolling has work to do.
func batchNumber(n int64) *Batch {
	at := day0.Add(time.Duration(n) * 10 * time.Minute)
	b := &Batch{
		Clock:   at,
		Journal: []JournalEntry{{Seq: n, Arrival: at, Kind: "tick"}},
		Alarms:  []AlarmRow{{Key: alerts.Key{Condition: "heat", Room: "r"}, Occurrence: n, RaisedAt: at}},
		Outbox:  []notify.Notice{{Key: strconv.FormatInt(n, 10), Occurrence: n, Channel: "mail", CreatedAt: at, DueAt: at}},
		State:   map[string][]byte{"n": []byte(strconv.FormatInt(n, 10))},
	}
	for i := range 50 {
		b.Readings = append(b.Readings, reading(fmt.Sprintf("s%d", i), sensors.Temperature, at, at.Add(time.Second), float64(n), float64(n)))
	}
	return b
}

// checkWhole checks that the first n batches are there and nothing else, and
// gives n.
func checkWhole(t *testing.T, r *Reader) int64 {
	t.Helper()
	ctx := context.Background()
	var n int64
	if state, err := r.LoadState(ctx, "n"); err == nil {
		if n, err = strconv.ParseInt(string(state), 10, 64); err != nil {
			t.Fatal(err)
		}
	} else if !errors.Is(err, ErrNotFound) {
		t.Fatal(err)
	}
	var got int64
	for rd, err := range r.Scan(ctx, nil, day0, day0.AddDate(10, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		want := got/50 + 1
		if rd.Raw != float64(want) || !rd.Time.Equal(day0.Add(time.Duration(want)*10*time.Minute)) {
			t.Fatalf("reading %d is %+v, want one of batch %d", got, rd, want)
		}
		got++
	}
	marks, err := r.LoadMarks(ctx)
	if err != nil {
		t.Fatal(err)
	}
	notices := dueNotices(t, r, day0.AddDate(10, 0, 0), 1<<30)
	if got != 50*n || marks.Journal != n || marks.Occurrence != n || int64(len(notices)) != n {
		t.Fatalf("after %d batches there are %d readings, journal entry %d, occurrence %d and %d notices", n, got, marks.Journal, marks.Occurrence, len(notices))
	}
	return n
}

// A process that commits and rolls is killed at random moments. What it had
// acknowledged must be there, and no part of anything else.
func TestKilledProcessLosesNothing(t *testing.T) {
	ctx := context.Background()
	if path := os.Getenv(childEnv); path != "" {
		commitForEver(t, path)
		return
	}
	path := filepath.Join(t.TempDir(), "records.db")
	var acknowledged int64
	for round := range 12 {
		cmd := child(t, path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for left := rand.IntN(250); left > 0 && lines.Scan(); {
			if n, ok := strings.CutPrefix(lines.Text(), "stored "); ok {
				if acknowledged, err = strconv.ParseInt(n, 10, 64); err != nil {
					t.Fatal(err)
				}
				left--
			}
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for lines.Scan() {
			if n, ok := strings.CutPrefix(lines.Text(), "stored "); ok {
				if acknowledged, err = strconv.ParseInt(n, 10, 64); err != nil {
					t.Fatal(err)
				}
			}
		}
		// It was killed, so its exit status says nothing.
		_ = cmd.Wait()
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		n := checkWhole(t, s.Reader)
		if n != acknowledged && n != acknowledged+1 {
			t.Fatalf("round %d: %d batches stored, %d acknowledged", round, n, acknowledged)
		}
		acknowledged = n
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if acknowledged == 0 {
		t.Fatal("no batch was ever committed")
	}
	t.Logf("%d batches in 12 rounds", acknowledged)
}

func commitForEver(t *testing.T, path string) {
	ctx := context.Background()
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	marks, err := s.LoadMarks(ctx)
	if err != nil {
		t.Fatal(err)
	}
	latest := make(chan time.Time, 1)
	go func() {
		for at := range latest {
			if _, err := s.Roll(ctx, at.AddDate(0, 0, -1)); err != nil {
				t.Error(err)
			}
		}
	}()
	for n := marks.Journal + 1; ; n++ {
		b := batchNumber(n)
		if err := s.Commit(ctx, b); err != nil {
			t.Fatal(err)
		}
		fmt.Println("stored", n)
		select {
		case latest <- b.Clock:
		default:
		}
	}
}

func TestSecondProcessIsLockedOut(t *testing.T) {
	ctx := context.Background()
	if path := os.Getenv(childEnv); path != "" {
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		commit(t, s, batchNumber(1))
		fmt.Println("open")
		select {}
	}
	path := filepath.Join(t.TempDir(), "records.db")
	link := filepath.Join(t.TempDir(), "link.db")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	cmd := child(t, path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}()
	for lines := bufio.NewScanner(out); lines.Scan() && lines.Text() != "open"; {
	}
	for _, name := range []string{path, link} {
		_, err = Open(ctx, name, Options{})
		if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), path) ||
			!strings.Contains(err.Error(), fmt.Sprintf("process %d", cmd.Process.Pid)) {
			t.Errorf("second open of %s: %v, want ErrLocked with the path and the process", name, err)
		}
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		t.Fatalf("read beside the writer: %v", err)
	}
	if n := checkWhole(t, r); n != 1 {
		t.Errorf("the reader sees %d batches, want 1", n)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if n := checkWhole(t, r); n != 1 {
		t.Errorf("after the writer was killed the reader sees %d batches, want 1", n)
	}
	r.Close()
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatalf("open after the holder was killed: %v", err)
	}
	// The same process twice is locked out as well.
	if _, err := Open(ctx, path, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("second open in one process: %v, want ErrLocked", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestBackupWhileWriting(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, Options{})
	stop, done := make(chan struct{}), make(chan error, 1)
	first := make(chan struct{})
	go func() {
		for n := int64(1); ; n++ {
			if err := s.Commit(ctx, batchNumber(n)); err != nil {
				done <- err
				return
			}
			if n == 200 {
				close(first)
			}
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
		}
	}()
	<-first
	r, err := OpenReader(ctx, s.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	dir := t.TempDir()
	for name, back := range map[string]func(context.Context, string) error{"by the store": s.Backup, "by a reader": r.Backup} {
		to := filepath.Join(dir, name)
		if err := back(ctx, to); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := back(ctx, to); !errors.Is(err, os.ErrExist) {
			t.Errorf("%s: second backup to the same name: %v, want ErrExist", name, err)
		}
		copied, err := OpenReader(ctx, to)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if n := checkWhole(t, copied); n < 200 {
			t.Errorf("%s: %d batches in the copy, want 200 or more", name, n)
		}
		copied.Close()
		restored, err := Open(ctx, to, Options{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		n := checkWhole(t, restored.Reader)
		commit(t, restored, batchNumber(n+1))
		if err := restored.Close(); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(ctx, filepath.Join(dir, "no such folder", "x")); err == nil {
		t.Error("a backup into a folder that is not there succeeded")
	}
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	to := filepath.Join(dir, "cancelled")
	if err := s.Backup(cancelled, to); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled backup: %v", err)
	}
	if left, err := filepath.Glob(to + "*"); err != nil || len(left) != 0 {
		t.Errorf("a cancelled backup left %v, %v", left, err)
	}
	// A reader of the store still cannot write after a backup.
	if _, err := s.db.ExecContext(ctx, "DELETE FROM state"); err == nil {
		t.Error("a reading connection could write")
	}
}
