package notify

import (
	"testing"
	"time"
)

// The example of the Standard Webhooks specification's test suite (test "sign
// function works" of its reference libraries).
func TestSignatureOfThePublishedExample(t *testing.T) {
	key, err := signingKey("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`))
	if want := "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature = %s, want %s", got, want)
	}
	if _, err := signingKey("whsec_not base64"); err == nil {
		t.Error("a secret that is not base64 was accepted")
	}
}

func TestBackoffGrowsToItsCap(t *testing.T) {
	for failed, ceiling := range map[int]time.Duration{
		0: 2 * time.Second, 1: 2 * time.Second, 2: 4 * time.Second, 5: 32 * time.Second, 8: 256 * time.Second, 9: 5 * time.Minute, 1000: 5 * time.Minute,
	} {
		if got := backoff(failed, 1); got != ceiling {
			t.Errorf("ceiling after %d failures = %v, want %v", failed, got, ceiling)
		}
		if got := backoff(failed, 0.25); got != ceiling/4 {
			t.Errorf("a quarter of it = %v, want %v", got, ceiling/4)
		}
	}
}
