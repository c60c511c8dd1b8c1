// Package clitest runs programs through texts that say what a user types and
// what must come of it.
package clitest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// Scripts runs a built program through the texts in testdata/script. Setup may
// add to the environment of each text. REARGUARD_UPDATE=1 writes their golden
// parts anew.
func Scripts(t *testing.T, binary string, setup func(*testscript.Env)) {
	testscript.Run(t, testscript.Params{
		Dir:                "testdata/script",
		UpdateScripts:      os.Getenv("REARGUARD_UPDATE") != "",
		RequireUniqueNames: true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("PATH", filepath.Dir(binary)+string(filepath.ListSeparator)+env.Getenv("PATH"))
			setup(env)
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":      status(binary),
			"jsonkeys":    scriptJSONKeys,
			"jsonnear":    scriptJSONNear,
			"jsonleast":   scriptJSONLeast,
			"occupy":      scriptOccupy,
			"await":       scriptAwait,
			"fetch":       scriptFetch,
			"empty":       scriptEmpty,
			"env-replace": scriptEnvReplace,
		},
	})
}

// status runs a program and demands an exit status:
//
//	status 2 rearguard check --config none.yaml
//
// What it wrote stands in the files out and err.
func status(binary string) func(ts *testscript.TestScript, neg bool, args []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		if neg || len(args) < 2 {
			ts.Fatalf("usage: status N program [argument...]")
		}
		path := binary
		if args[1] != filepath.Base(binary) {
			var err error
			path, err = exec.LookPath(args[1])
			ts.Check(err)
		}
		cmd := exec.Command(path, args[2:]...)
		cmd.Dir = ts.Getenv("WORK")
		cmd.Env = []string{"PATH=" + ts.Getenv("PATH"), "HOME=" + ts.Getenv("HOME"), "TMPDIR=" + ts.Getenv("TMPDIR")}
		var stdout, stderr bytes.Buffer
		cmd.Stdout, cmd.Stderr = &stdout, &stderr
		err := cmd.Run()
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		ts.Check(os.WriteFile(ts.MkAbs("out"), stdout.Bytes(), 0o600))
		ts.Check(os.WriteFile(ts.MkAbs("err"), stderr.Bytes(), 0o600))
		if got := fmt.Sprint(cmd.ProcessState.ExitCode()); got != args[0] {
			ts.Fatalf("exit status %s, want %s\n%s%s", got, args[0], stdout.String(), stderr.String())
		}
	}
}

// scriptJSONKeys demands that a file holds exactly one JSON object and that
// the object, or that in the first element of a list in it, has exactly the
// keys named:
//
//	jsonkeys stdout '' readings rooms
//	jsonkeys stdout cohorts id species
func scriptJSONKeys(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: jsonkeys FILE LIST key...")
	}
	text := ts.ReadFile(args[0])
	decoder := json.NewDecoder(strings.NewReader(text))
	var object map[string]json.RawMessage
	ts.Check(decoder.Decode(&object))
	if decoder.More() {
		ts.Fatalf("%s holds more than one JSON value:\n%s", args[0], text)
	}
	if list := args[1]; list != "" {
		var elements []map[string]json.RawMessage
		ts.Check(json.Unmarshal(object[list], &elements))
		if len(elements) == 0 {
			ts.Fatalf("%s is empty in %s", list, text)
		}
		object = elements[0]
	}
	want := slices.Sorted(slices.Values(args[2:]))
	got := make([]string, 0, len(object))
	for key := range object {
		got = append(got, key)
	}
	slices.Sort(got)
	if !slices.Equal(got, want) {
		ts.Fatalf("keys %q, want %q", got, want)
	}
}

// scriptOccupy listens on a port until the script ends:
//
//	occupy $PORT
func scriptOccupy(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: occupy PORT")
	}
	l, err := net.Listen("tcp", "127.0.0.1:"+args[0])
	ts.Check(err)
	ts.Defer(func() { _ = l.Close() })
}

// scriptAwait waits until a file holds a text:
//
//	await log 'rearguard is running'
func scriptAwait(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: await FILE TEXT")
	}
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	deadline := time.NewTimer(time.Minute)
	defer deadline.Stop()
	for {
		text, err := os.ReadFile(ts.MkAbs(args[0]))
		if err == nil && strings.Contains(string(text), args[1]) {
			return
		}
		select {
		case <-ticker.C:
		case <-deadline.C:
			ts.Fatalf("%s does not say %q; it holds:\n%s", args[0], args[1], text)
		}
	}
}

// scriptFetch asks a server, with the lines of a file as the headers of the
// request and its body after an empty line, and demands a status:
//
//	fetch 200 http://127.0.0.1:$PORT/
//	fetch 303 http://127.0.0.1:$PORT/technician/reload request
//
// What it answers stands in the file page.
func scriptFetch(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 || len(args) > 3 {
		ts.Fatalf("usage: fetch STATUS URL [REQUEST]")
	}
	method, headers, body := http.MethodGet, "", ""
	if len(args) == 3 {
		method = http.MethodPost
		headers, body, _ = strings.Cut(ts.ReadFile(args[2]), "\n\n")
	}
	request, err := http.NewRequestWithContext(context.Background(), method, args[1], strings.NewReader(strings.TrimSpace(body)))
	ts.Check(err)
	for line := range strings.Lines(headers) {
		name, value, _ := strings.Cut(line, ":")
		request.Header.Set(name, strings.TrimSpace(value))
	}
	answer, err := http.DefaultTransport.RoundTrip(request)
	ts.Check(err)
	page, err := io.ReadAll(answer.Body)
	ts.Check(errors.Join(err, answer.Body.Close()))
	ts.Check(os.WriteFile(ts.MkAbs("page"), page, 0o600))
	if got := strconv.Itoa(answer.StatusCode); got != args[0] {
		ts.Fatalf("status %s, want %s\n%s", got, args[0], page)
	}
}

// scriptEmpty demands that a folder is empty:
//
//	empty $TMPDIR
func scriptEmpty(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: empty FOLDER")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	if len(entries) > 0 {
		ts.Fatalf("%s still holds %s", args[0], entries[0].Name())
	}
}

// scriptEnvReplace replaces ${NAME} in files by the script's environment:
//
//	env-replace facility.yaml
func scriptEnvReplace(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: env-replace FILE...")
	}
	for _, name := range args {
		text := os.Expand(ts.ReadFile(name), ts.Getenv)
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte(text), 0o600))
	}
}

// scriptJSONNear demands a number at a place in a JSON file:
//
//	jsonnear stdout days/0/degree_days 11.85 0.006
func scriptJSONNear(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: jsonnear FILE PLACE VALUE TOLERANCE")
	}
	got, want, tolerance := numberAt(ts, args[0], args[1]), number(ts, args[2]), number(ts, args[3])
	if math.Abs(got-want) > tolerance {
		ts.Fatalf("%s is %v, want %v ± %v", args[1], got, want, tolerance)
	}
}

// scriptJSONLeast demands that a number at a place in a JSON file is not
// below a bound:
//
//	jsonleast stdout rooms 4
func scriptJSONLeast(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: jsonleast FILE PLACE BOUND")
	}
	if got, want := numberAt(ts, args[0], args[1]), number(ts, args[2]); got < want {
		ts.Fatalf("%s is %v, want at least %v", args[1], got, want)
	}
}

func number(ts *testscript.TestScript, text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	ts.Check(err)
	return v
}

// numberAt returns the number at a place such as days/0/degree_days.
func numberAt(ts *testscript.TestScript, file, place string) float64 {
	var v any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(file)), &v))
	for step := range strings.SplitSeq(place, "/") {
		switch parent := v.(type) {
		case map[string]any:
			v = parent[step]
		case []any:
			i, err := strconv.Atoi(step)
			ts.Check(err)
			if i >= len(parent) {
				ts.Fatalf("%s: %d elements", place, len(parent))
			}
			v = parent[i]
		}
	}
	n, ok := v.(float64)
	if !ok {
		ts.Fatalf("%s is %v, which is no number", place, v)
	}
	return n
}
