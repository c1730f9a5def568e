// Package board tells how the machine does that an agent runs on: its disk, its
// temperature, its supply. What it doesn't say is absent.
package board

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dewpost/agent/sensor/sysfs"
)

// Facts are about the machine.
type Facts struct {
	DiskBytes int64    `json:"disk_bytes"`      // of the file system that holds the spool; 0 when not known
	DiskFree  int64    `json:"disk_free_bytes"` // of these, for the agent's user
	TempC     *float64 `json:"temp_c"`          // of the processor
	// Undervoltage tells whether the supply is below what the board needs, now,
	// on boards whose kernel watches it.
	Undervoltage *bool `json:"undervoltage"`
}

// Look looks at the machine; root is where the kernel shows its devices, and
// dir a folder on the disk in question.
func Look(root, dir string) Facts {
	f := Facts{}
	f.DiskBytes, f.DiskFree = disk(dir)
	if milli, _, err := sysfs.Number(filepath.Join(root, "class/thermal/thermal_zone0/temp")); err == nil {
		c := milli / 1000
		f.TempC = &c
	}
	// The alarm of the lower critical limit (kernel: Documentation/hwmon/raspberrypi-hwmon).
	if dir, err := sysfs.Find(filepath.Join(root, "class/hwmon"), "rpi_volt"); err == nil {
		if v, _, err := sysfs.Number(filepath.Join(dir, "in0_lcrit_alarm")); err == nil {
			low := v != 0
			f.Undervoltage = &low
		}
	}
	return f
}

// Trigger is the file that says what makes a lamp shine; root is where the kernel
// shows its devices.
func Trigger(root, lamp string) string { return filepath.Join(root, "class/leds", lamp, "trigger") }

// Blink lets a lamp blink, so that a person finds the board, and puts it back
// as it was. name is that of the lamp in the kernel's class/leds.
//
// Source: Documentation/leds/leds-class of the Linux kernel.
func Blink(ctx context.Context, root, name string, d time.Duration) error {
	path := Trigger(root, name)
	text, err := sysfs.Text(path)
	if err != nil {
		return fmt.Errorf("lamp: %w", err)
	}
	before := "none"
	for _, word := range strings.Fields(text) {
		if strings.HasPrefix(word, "[") {
			before = strings.Trim(word, "[]")
		}
	}
	if err := os.WriteFile(path, []byte("timer"), 0o644); err != nil {
		return fmt.Errorf("lamp: %w", err)
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
	if err := os.WriteFile(path, []byte(before), 0o644); err != nil {
		return fmt.Errorf("lamp: %w", err)
	}
	return nil
}
