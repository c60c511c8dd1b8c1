package records

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// runChild runs this test again in a child process; what the child reports as
// wrong is wrong.
func runChild(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	if out, err := cmd.Output(); err != nil || !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Fatalf("%v\n%s", err, out)
	}
}

// unprivileged makes permissions hold in the child: the superuser, as whom
// tests often run, may write anywhere, so the child runs as another user, from
// a copy of the program that this user can reach.
func unprivileged(t *testing.T, cmd *exec.Cmd) *exec.Cmd {
	t.Helper()
	if os.Getuid() != 0 {
		return cmd
	}
	program, err := os.ReadFile(cmd.Path)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cmd.Path = filepath.Join(dir, "records.test")
	if err := os.WriteFile(cmd.Path, program, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{dir, filepath.Dir(dir)} {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	cmd.Dir = dir
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	return cmd
}

func TestUnwritableFolder(t *testing.T) {
	ctx := context.Background()
	path := os.Getenv(childEnv)
	if path == "" {
		path = filepath.Join(t.TempDir(), "locked", "records.db")
		if err := os.Mkdir(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		commit(t, s, batchNumber(1))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(path + ".lock"); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(filepath.Dir(path), 0o555); err != nil {
			t.Fatal(err)
		}
		runChild(t, unprivileged(t, child(t, path)))
		return
	}
	for _, name := range []string{path, filepath.Join(filepath.Dir(path), "new.db")} {
		_, err := Open(ctx, name, Options{})
		if !errors.Is(err, ErrReadOnly) || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "writable") {
			t.Errorf("open %s: %v, want ErrReadOnly with the path and what to do", name, err)
		}
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		t.Fatalf("read in a folder that cannot be written: %v", err)
	}
	defer r.Close()
	if n := checkWhole(t, r); n != 1 {
		t.Errorf("%d batches, want 1", n)
	}
}

func TestUnwritableFile(t *testing.T) {
	ctx := context.Background()
	path := os.Getenv(childEnv)
	if path == "" {
		path = filepath.Join(t.TempDir(), "records.db")
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, 0o444); err != nil {
			t.Fatal(err)
		}
		runChild(t, unprivileged(t, child(t, path)))
		return
	}
	if _, err := Open(ctx, path, Options{}); !errors.Is(err, ErrReadOnly) || !strings.Contains(err.Error(), path) {
		t.Errorf("open: %v, want ErrReadOnly with the path", err)
	}
}

// A limit on the size of files stands for a full disk: writing fails in the
// middle of a transaction.
func TestFullDisk(t *testing.T) {
	ctx := context.Background()
	path := os.Getenv(childEnv)
	if path == "" {
		runChild(t, child(t, filepath.Join(t.TempDir(), "records.db")))
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	limit := func(bytes uint64) {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: bytes, Max: unix.RLIM_INFINITY}); err != nil {
			t.Fatal(err)
		}
	}
	limit(1 << 20)
	n := int64(1)
	for ; ; n++ {
		if err = s.Commit(ctx, batchNumber(n)); err != nil {
			break
		}
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), path) {
		t.Errorf("commit: %v, want ErrFull with the path", err)
	}
	if got := checkWhole(t, s.Reader); got != n-1 {
		t.Errorf("%d batches are stored, want %d", got, n-1)
	}
	limit(unix.RLIM_INFINITY)
	// With room again the same batch goes in, without a restart.
	for range 100 {
		commit(t, s, batchNumber(n))
		n++
	}
	if got := checkWhole(t, s.Reader); got != n-1 {
		t.Errorf("%d batches are stored, want %d", got, n-1)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(ctx, path, Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if got := checkWhole(t, s.Reader); got != n-1 {
		t.Errorf("%d batches after reopening, want %d", got, n-1)
	}
}
