package payload_test

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// codec is the Sparkplug library of npm (testdata/sparkplug, version and
// content pinned by its lock file), running in node.
type codec struct {
	t   *testing.T
	in  io.WriteCloser
	out *bufio.Scanner
}

func startCodec(t *testing.T) *codec {
	t.Helper()
	missing := func(what string, err error) {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s: %v", what, err)
		}
		t.Skipf("%s (apt-get install nodejs npm; the test needs the npm registry): %v", what, err)
	}
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", "codec.js"} {
		b, err := os.ReadFile(filepath.Join("testdata", "sparkplug", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	install := exec.CommandContext(t.Context(), "npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline")
	install.Dir = dir
	if out, err := install.CombinedOutput(); err != nil {
		missing("npm ci", fmt.Errorf("%w\n%s", err, out))
	}
	node := exec.Command("node", "codec.js") // ends when its input does
	node.Dir = dir
	node.Stderr = os.Stderr
	in, err := node.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := node.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := node.Start(); err != nil {
		missing("node", err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		if err := node.Wait(); err != nil {
			t.Errorf("node: %v", err)
		}
	})
	scanner := bufio.NewScanner(out)
	scanner.Buffer(nil, 1<<20)
	return &codec{t, in, scanner}
}

func (c *codec) ask(request string) []byte {
	c.t.Helper()
	if _, err := io.WriteString(c.in, request+"\n"); err != nil {
		c.t.Fatal(err)
	}
	if !c.out.Scan() {
		c.t.Fatalf("no answer to %s: %v", request, c.out.Err())
	}
	return c.out.Bytes()
}

func (c *codec) encode(p payloadB) []byte {
	c.t.Helper()
	var text string
	if err := json.Unmarshal(c.ask(`{"encode":`+string(jsonB(c.t, p))+`}`), &text); err != nil {
		c.t.Fatal(err)
	}
	b, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		c.t.Fatal(err)
	}
	return b
}

// special writes numbers that JSON cannot hold in the codec's way.
func special(v any) any {
	switch n := v.(type) {
	case int64:
		if n > 1<<53 || n < -1<<53 {
			return map[string]string{"long": strconv.FormatInt(n, 10)}
		}
	case float64:
		switch {
		case math.IsNaN(n):
			return map[string]string{"special": "NaN"}
		case math.IsInf(n, 1):
			return map[string]string{"special": "Infinity"}
		case math.IsInf(n, -1):
			return map[string]string{"special": "-Infinity"}
		}
	}
	return v
}

// TestSparkplugDifferential decodes what another implementation encodes, and
// has it decode what is encoded here.
func TestSparkplugDifferential(t *testing.T) {
	c := startCodec(t)
	t.Run("values", func(t *testing.T) { compareValues(t, c) })
	t.Run("rebirth request", func(t *testing.T) { readRequest(t, c) })
}

// compareValues goes over all scalar types and their limits.
func compareValues(t *testing.T, c *codec) {
	random := rand.New(rand.NewPCG(1, 2))
	d := decoder(t, payload.Spec{Format: payload.Sparkplug, Topic: "spBv1.0/site/+/edge", Values: []payload.ValueSpec{
		value(sensors.Temperature, "T", ""), value(sensors.Battery, "B", "%"),
	}})
	pick := func(kind string) any {
		switch kind {
		case "Int8":
			return int64(int8(random.Uint32()))
		case "Int16":
			return int64(int16(random.Uint32()))
		case "Int32":
			return int64(int32(random.Uint32()))
		case "Int64":
			return int64(random.Uint64()) >> random.IntN(64)
		case "UInt8":
			return int64(uint8(random.Uint32()))
		case "UInt16":
			return int64(uint16(random.Uint32()))
		case "UInt32":
			return int64(random.Uint32())
		case "UInt64":
			return int64(random.Uint64() >> (1 + random.IntN(63)))
		case "Float":
			switch random.IntN(20) {
			case 0:
				return math.NaN()
			case 1:
				return math.Inf(1)
			}
			return math.Round(random.NormFloat64()*2000) / 100
		case "Double":
			switch random.IntN(20) {
			case 0:
				return math.NaN()
			case 1:
				return math.Inf(-1)
			}
			return random.NormFloat64() * math.Pow(10, float64(random.IntN(20)-10))
		case "Boolean":
			return random.IntN(2) == 0
		case "String":
			return fmt.Sprint(random.IntN(100))
		}
		return nil
	}
	types := []string{"Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64", "Float", "Double", "Boolean", "String"}
	const rounds = 600
	for round := range rounds {
		kind := types[round%len(types)]
		birth := payloadB{Timestamp: 1772366000000 + uint64(round), Seq: seq(0), Metrics: []metricB{
			{Name: "T", Alias: seq(uint64(random.Uint32())), Type: kind, Timestamp: 1772366000000 - uint64(random.IntN(1e9)), Value: pick(kind)},
			{Name: "Properties/Hardware", Type: "String", Value: "äöü ☃"},
			{Name: "B", Alias: seq(math.MaxUint32 + 1 + uint64(round)), Type: "UInt8", Value: int64(random.IntN(101))},
		}}
		update := payloadB{Timestamp: 1772366001000 + uint64(round), Seq: seq(1), Metrics: []metricB{
			{Alias: birth.Metrics[0].Alias, Type: kind, Value: pick(kind)},
		}}
		check(t, c, d, "spBv1.0/site/NBIRTH/edge", birth, birth)
		check(t, c, d, "spBv1.0/site/NDATA/edge", update, birth)
	}
}

func check(t *testing.T, c *codec, d payload.Decoder, topic string, p, birth payloadB) {
	t.Helper()
	theirs := p
	theirs.Metrics = append([]metricB(nil), p.Metrics...)
	for i := range theirs.Metrics {
		theirs.Metrics[i].Value = special(theirs.Metrics[i].Value)
	}
	got, _ := d.Decode(topic, c.encode(theirs), received)
	var want []payload.Measurement
	for _, m := range p.Metrics {
		q := sensors.Temperature
		switch {
		case m.Name == "B" || m.Alias != nil && *m.Alias == *birth.Metrics[2].Alias:
			q = sensors.Battery
		case m.Name != "T" && m.Alias == nil:
			continue
		}
		v, ok := meant(q, m)
		if !ok {
			continue
		}
		at := m.Timestamp
		if at == 0 {
			at = p.Timestamp
		}
		want = append(want, payload.Measurement{Quantity: q, Value: v, Time: time.UnixMilli(int64(at)).UTC()})
	}
	if diff := cmp.Diff(want, got); len(want)+len(got) > 0 && diff != "" {
		t.Fatalf("%s of %+v (-want +got):\n%s", topic, p, diff)
	}
	// The encoder of these tests writes the same.
	ours, _ := d.Decode(topic, encodeB(p), received)
	if diff := cmp.Diff(got, ours); diff != "" {
		t.Fatalf("%s of %+v: the two encodings differ:\n%s", topic, p, diff)
	}
}

// meant is the number that a metric means, if an instrument can mean it.
func meant(q sensors.Quantity, m metricB) (float64, bool) {
	v, ok := number(m)
	least, most := payload.Meaningful(q)
	return v, ok && v >= least && v <= most
}

// number is the finite number that a metric holds.
func number(m metricB) (float64, bool) {
	switch v := m.Value.(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, !math.IsNaN(v) && !math.IsInf(v, 0)
	case string:
		n, err := strconv.ParseFloat(v, 64)
		return n, err == nil
	}
	return 0, false
}

// readRequest has the other implementation read the request for rebirth.
func readRequest(t *testing.T, c *codec) {
	d := decoder(t, sparkplugSpec())
	requests := d.(payload.Converser).Requests(received)
	if len(requests) != 1 {
		t.Fatalf("%d requests", len(requests))
	}
	var got struct {
		Timestamp string
		Metrics   []struct {
			Name, Type, Timestamp string
			Value                 bool
		}
	}
	answer := c.ask(`{"decode":"` + base64.StdEncoding.EncodeToString(requests[0].Payload) + `"}`)
	if err := json.Unmarshal(answer, &got); err != nil {
		t.Fatalf("%v: %s", err, answer)
	}
	stamp := strconv.FormatInt(received.UnixMilli(), 10)
	if len(got.Metrics) != 1 || got.Timestamp != stamp || got.Metrics[0].Timestamp != stamp ||
		got.Metrics[0].Name != "Node Control/Rebirth" || got.Metrics[0].Type != "Boolean" || !got.Metrics[0].Value {
		t.Errorf("read as %s", strings.TrimSpace(string(answer)))
	}
}
