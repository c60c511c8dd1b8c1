package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
	_ "modernc.org/sqlite" // locks the records as another program would

	"rearguard/alerts/notify"
	"rearguard/daemon/past"
	"rearguard/daemon/records"
	"rearguard/sensors"
	"rearguard/sensors/broker/brokertest"
)

// lockEnv makes the test's program lock the records of this path and say so,
// until its input ends.
const lockEnv = "REARGUARD_TEST_LOCK_RECORDS"

// lockRecords keeps a write transaction open as another program would.
func lockRecords(path string) error {
	ctx := context.Background()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		return err
	}
	defer db.Close()
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	for _, statement := range []string{"PRAGMA busy_timeout = 20000", "BEGIN IMMEDIATE"} {
		if _, err := conn.ExecContext(ctx, statement); err != nil {
			return err
		}
	}
	fmt.Println("locked")
	_, err = io.Copy(io.Discard, os.Stdin)
	return errors.Join(err, func() error { _, err := conn.ExecContext(ctx, "ROLLBACK"); return err }())
}

// call is one message that came to a phone.
type call struct{ ID, Type, Condition, Room, Text string }

// phoneLog stands for a phone that takes every message.
type phoneLog struct {
	mu    sync.Mutex
	calls []call
}

func (p *phoneLog) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Type string
		Data struct{ Condition, Room, Text string }
	}
	if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.calls = append(p.calls, call{r.Header.Get("webhook-id"), body.Type, body.Data.Condition, body.Data.Room, body.Data.Text})
}

// about are the messages of one type about the heat of a room.
func (p *phoneLog) about(room, kind string) []call {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(p.calls), func(c call) bool {
		return c.Type != kind || c.Condition != "heat" || c.Room != room
	})
}

// thermometers publish the temperature of each room five times a second and
// remember all that the broker took.
type thermometers struct {
	mu        sync.Mutex
	celsius   map[string]float64
	published map[string]float64
}

func (th *thermometers) set(room string, celsius float64) {
	th.mu.Lock()
	defer th.mu.Unlock()
	th.celsius[room] = celsius
}

// publish publishes what all rooms have at an instant.
func (th *thermometers) publish(c mqtt.Client, at time.Time) error {
	th.mu.Lock()
	defer th.mu.Unlock()
	for room, celsius := range th.celsius {
		token := c.Publish("fail/"+room, 1, false, fmt.Appendf(nil, `{"ts":%d,"t":%g}`, at.UnixMilli(), celsius))
		if !token.WaitTimeout(10 * time.Second) {
			return errors.New("the broker does not answer")
		}
		if err := token.Error(); err != nil {
			return err
		}
		th.published[room+" "+timedKey(sensors.Temperature, at)] = celsius
	}
	return nil
}

func (th *thermometers) run(t *testing.T, c mqtt.Client, stop <-chan struct{}) {
	ticker := time.NewTicker(200 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-stop:
			return
		case <-ticker.C:
		}
		if err := th.publish(c, time.Now().UTC().Truncate(time.Millisecond)); err != nil {
			t.Errorf("publish: %v", err)
			return
		}
	}
}

// failingDisk is a small disk of its own under the records of a running
// daemon.
type failingDisk struct {
	t    *testing.T
	d    *daemonProcess
	path string
}

// inside is a command that sees the disk.
func (f failingDisk) inside(name string, args ...string) *exec.Cmd {
	return exec.Command("nsenter", append([]string{"-t", fmt.Sprint(f.d.cmd.Process.Pid), "-m", name}, args...)...)
}

func (f failingDisk) run(name string, args ...string) {
	f.t.Helper()
	if out, err := f.inside(name, args...).CombinedOutput(); err != nil {
		f.t.Fatalf("%s: %v: %s", name, err, out)
	}
}

func (f failingDisk) fill() (repair func()) {
	ballast := fmt.Sprintf("/proc/%d/root%s/ballast", f.d.cmd.Process.Pid, f.path)
	if err := os.WriteFile(ballast, make([]byte, 32<<20), 0o600); !errors.Is(err, syscall.ENOSPC) {
		f.t.Fatalf("the disk is not full: %v", err)
	}
	return func() {
		if err := os.Remove(ballast); err != nil {
			f.t.Fatal(err)
		}
	}
}

func (f failingDisk) lock() (repair func()) {
	self, err := os.Executable()
	if err != nil {
		f.t.Fatal(err)
	}
	cmd := f.inside(self)
	cmd.Env = append(os.Environ(), lockEnv+"="+filepath.Join(f.path, "site.db"))
	cmd.Stderr = os.Stderr
	hold, err := cmd.StdinPipe()
	if err != nil {
		f.t.Fatal(err)
	}
	said, err := cmd.StdoutPipe()
	if err != nil {
		f.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		f.t.Fatal(err)
	}
	if _, err := io.ReadFull(said, make([]byte, len("locked"))); err != nil {
		f.t.Fatalf("the records could not be locked: %v", err)
	}
	return func() {
		if err := errors.Join(hold.Close(), cmd.Wait()); err != nil {
			f.t.Error(err)
		}
	}
}

// protect makes the records read-only under the program that has them open,
// which a remount does not do.
func (f failingDisk) protect() (repair func()) {
	files := []string{filepath.Join(f.path, "site.db"), filepath.Join(f.path, "site.db-wal")}
	f.run("chattr", append([]string{"+i"}, files...)...)
	return func() { f.run("chattr", append([]string{"-i"}, files...)...) }
}

// With the disk full, the records locked by another program and read-only in
// turn, a room overheats. The phone hears of each at once and is told that it
// is not in the records yet; somebody takes the alarm on. Afterwards the
// records hold every reading and every step, and nobody was told twice.
func TestRoomIsWatchedWhileTheRecordsFail(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute; run without -short")
	}
	mkfs, err := exec.LookPath("mkfs.ext4")
	if err != nil {
		t.Skipf("install e2fsprogs (apt-get install e2fsprogs): %v", err)
	}
	m := brokertest.Start(t, brokertest.Options{Extra: "max_inflight_messages 65535\nmax_queued_messages 0"})
	phone := &phoneLog{}
	hook := httptest.NewServer(phone)
	t.Cleanup(hook.Close)
	t.Setenv("REARGUARD_FAIL_SECRET", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	s := newSite(t, m.Port, "")
	disk := failingDisk{t, s.daemonProcess, filepath.Join(s.dir, "disk")}
	var rooms, thermos string
	th := &thermometers{celsius: map[string]float64{}, published: map[string]float64{}}
	for _, room := range []string{"full", "locked", "protected"} {
		th.celsius[room] = 25
		rooms += fmt.Sprintf("\n  - {id: %s, limits: {heat_celsius: 30}}", room)
		thermos += fmt.Sprintf("\n  - {id: %[1]s, room: %[1]s, interval: 60s, inputs: [{topic: fail/%[1]s, format: json, time: {at: /ts, unit: ms}, values: [{quantity: temperature, at: /t, unit: °C}]}]}", room)
	}
	text := fmt.Sprintf(`
facility: {name: Failing records, timezone: UTC}
records: {path: disk/site.db}
broker: {address: "tcp://127.0.0.1:%d", client_id: records-fail}
web: {listen: %q}
rooms:%s
sensors:%s
people: [{id: lead, name: Lead}]
channels: [{id: phone, kind: webhook, url: %q, secret_env: REARGUARD_FAIL_SECRET}]
roster: [{who: [lead], channels: [phone], priorities: [low, medium, high, critical]}]
alarms: {heat: {on_delay: 1s, off_delay: 2s}}
incidents: {settle: 0s}
`, m.Port, s.pages, rooms, thermos, hook.URL)
	image := filepath.Join(s.dir, "disk.img")
	for _, err := range []error{os.WriteFile(s.config, []byte(text), 0o600), os.Mkdir(disk.path, 0o700), os.WriteFile(image, nil, 0o600), os.Truncate(image, 16<<20)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if out, err := exec.Command(mkfs, "-q", "-F", image).CombinedOutput(); err != nil {
		t.Fatalf("mkfs.ext4: %v: %s", err, out)
	}
	if out, err := exec.Command("unshare", "-m", "mount", "-o", "loop", image, disk.path).CombinedOutput(); err != nil {
		t.Skipf("needs a loop device and the right to mount it (run as root): %v: %s", err, out)
	}
	s.cmd = namespaced(t, s, `mount -o loop "$0/disk.img" "$0/disk" && exec "$1" run --config "$0/facility.yaml"`)
	s.cmd.Stderr = &s.log
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.end(syscall.SIGTERM)
		if t.Failed() {
			t.Logf("rearguard:\n%s", s.log.String())
		}
	})
	s.awaitReady()
	c := client(t, m.URL())
	stop := make(chan struct{})
	var feeding sync.WaitGroup
	feeding.Go(func() { th.run(t, c, stop) })
	end := sync.OnceFunc(func() { close(stop); feeding.Wait() })
	t.Cleanup(end)
	for room := range th.celsius {
		post(t, s.pages, "/api/v1/cohorts", fmt.Sprintf(`{"who":"keeper","id":%[1]q,"species":"danaus-plexippus","start_stage":"larva-3","individuals":50,"room":%[1]q}`, room))
	}
	for _, trouble := range []struct {
		room string
		make func() (repair func())
		told string // what /readyz says
	}{{"full", disk.fill, "no room"}, {"locked", disk.lock, "in use by another process"}, {"protected", disk.protect, "disk I/O error"}} {
		repair := trouble.make()
		s.awaitUnready("the records cannot be written", trouble.told)
		s.overheat(phone, th, trouble.room)
		repair()
		s.awaitReady()
	}

	end()
	s.awaitAll(disk, th.published)
	phone.mu.Lock()
	defer phone.mu.Unlock()
	times := map[string]int{}
	for _, c := range phone.calls {
		times[c.ID]++
		times[c.Type+" "+c.Condition+" "+c.Text]++
	}
	for what, n := range times {
		if n > 1 {
			t.Errorf("told %d times: %s", n, what)
		}
	}
}

// overheat lets a room overheat and cool down while the records fail, and
// somebody acts meanwhile.
func (s *site) overheat(phone *phoneLog, th *thermometers, room string) {
	s.t.Helper()
	state := func(want string) {
		s.t.Helper()
		eventually(s.t, room+": heat is "+want, time.Minute, func() bool { return heatState(s.daemonProcess) == want })
	}
	th.set(room, 36)
	state("unacknowledged")
	eventually(s.t, room+": the phone hears of the heat", time.Minute, func() bool { return len(phone.about(room, "alarm.raised")) > 0 })
	if got := phone.about(room, "alarm.raised")[0]; !strings.Contains(got.Text, "not in the records yet") {
		s.t.Errorf("%s: the phone is not told that this is not recorded yet:\n%s", room, got.Text)
	}
	answer, err := http.Post("http://"+s.pages+"/api/v1/alarms/acknowledge", "application/json",
		strings.NewReader(fmt.Sprintf(`{"who":"lead","key":{"condition":"heat","room":%q,"subject":""}}`, room)))
	if err != nil {
		s.t.Fatal(err)
	}
	said, _ := io.ReadAll(answer.Body)
	answer.Body.Close()
	if answer.StatusCode != http.StatusAccepted || !strings.Contains(string(said), "acknowledge") {
		s.t.Errorf("%s: acknowledging says %s: %s", room, answer.Status, said)
	}
	state("acknowledged")
	th.set(room, 25)
	state("")
	// The sixth message within five minutes is gathered for a minute.
	eventually(s.t, room+": the phone hears of the end", 2*time.Minute, func() bool { return len(phone.about(room, "alarm.cleared")) > 0 })
}

// awaitAll waits until a backup, taken while the daemon runs, holds exactly
// what was published, and every step of the alarms.
func (s *site) awaitAll(disk failingDisk, published map[string]float64) {
	s.t.Helper()
	binary, err := program()
	if err != nil {
		s.t.Fatal(err)
	}
	copied := filepath.Join(s.dir, "copy.db")
	var reader *records.Reader
	stored := func() map[string]float64 {
		_ = os.Remove(copied)
		disk.run(binary, "backup", "--config", s.config, copied)
		if reader, err = records.OpenReader(s.t.Context(), copied); err != nil {
			s.t.Fatal(err)
		}
		got := map[string]float64{}
		for r, err := range reader.Scan(s.t.Context(), nil, time.Time{}, past.FarFuture()) {
			if err != nil {
				s.t.Fatal(err)
			}
			got[string(r.Sensor)+" "+timedKey(r.Quantity, r.Time)] = r.Raw
		}
		return got
	}
	var got map[string]float64
	eventually(s.t, "all readings in the records", time.Minute, func() bool {
		if reader != nil {
			reader.Close()
		}
		got = stored()
		return len(got) >= len(published)
	})
	defer reader.Close()
	if d := cmp.Diff(published, got); d != "" {
		s.t.Errorf("readings (-published +recorded):\n%s", d)
	}
	checkHeats(s.t, reader, []string{"full", "locked", "protected"})
}

// checkHeats shows that each of the rooms was too hot once in turn: raised,
// acknowledged and cleared, and that no notice of it is still to be told.
func checkHeats(t *testing.T, reader *records.Reader, rooms []string) {
	t.Helper()
	steps, err := reader.AlarmTransitions(t.Context(), time.Time{}, past.FarFuture())
	if err != nil {
		t.Fatal(err)
	}
	var got, want []string
	occurrences := map[int64]bool{}
	for _, step := range steps {
		if step.Key.Condition == "heat" {
			got = append(got, fmt.Sprintf("%s %s %s, %s to %s", step.Key.Room, step.Event, step.Who, step.From, step.To))
			occurrences[step.Occurrence] = true
		}
	}
	for _, room := range rooms {
		want = append(want, room+" raise , normal to unacknowledged", room+" acknowledge lead, unacknowledged to acknowledged", room+" return , acknowledged to normal")
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("steps of the alarms:\n%s", d)
	}
	for occurrence := range occurrences {
		notices, err := reader.Notices(t.Context(), occurrence, "lead")
		if err != nil {
			t.Fatal(err)
		}
		if len(notices) == 0 {
			t.Errorf("occurrence %d has no notices in the records", occurrence)
		}
		for _, n := range notices {
			if n.State != notify.Delivered {
				t.Errorf("notice %s is %s", n.Key, n.State)
			}
		}
	}
}
