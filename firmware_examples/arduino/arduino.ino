// What does the board do, all day?
//
// The bench board as a sketch, for the common boards with an ATmega328P at 16 MHz and 5 V.  Same wiring, same lines as
// ../avr_c; README.md beside this file has the wiring.  Open this folder in the IDE, or `make`.
//
// Four times a second one line: cup and pot always; once a second the room; once a second the cold junction.  Press
// counts go in a line of their own, at boot, at once when a foot trod, and every four seconds.  Between interrupts the
// chip sleeps.

#include <Arduino.h>
#include <SPI.h>
#include <Wire.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "foot.h"
#include "line.h"
#include "orders.h"
#include "signals.h"

// The transducer's full scale [Pa gauge], digits only: what it reads at nine tenths of its supply, and at least 1.3
// times the pot's mark.  100 psi 689476, 150 psi 1034214, 200 psi 1378951, 10 bar 1000000, 16 bar 1600000.  The same
// stands in bench.toml as the upper end of the channel's `range`: `benchd check` compares the two.
#define POT_FULL_PA 689476

const uint8_t FOOT_PIN = 2;    // to ground; pull-up inside
const uint8_t BUZZER_PIN = 3;
const uint8_t LAMP_PIN = 8;
const uint8_t THERMO_CS_PIN = 10;  // SCK on 13, SO on 12
const uint8_t PRESSURE_MUX = 0;    // A0
const uint8_t HUMID_ADDRESS = 0x44;  // SDA on A4, SCL on A5

const uint16_t TICK_HZ = 2000;        // one sample of the pressure each
const uint8_t TICKS_A_SLOT = 10;      // 5 ms: foot, lamp, tones, and what waits to be sent
const uint8_t SLOTS_A_QUARTER = 50;   // 250 ms: one line
const uint8_t SLOTS_AVERAGED = 40;    // 200 ms: ten waves of 50 Hz mains, twelve of 60 Hz, so hum cancels
const uint8_t COUNTS_EVERY = 16;      // quarters between lines of press counts

// --------------------------------------------------------------------------------------------------- why it started

uint8_t resetFlags __attribute__((section(".noinit")));

// Before anything else: after its own reset the watchdog still runs, at its shortest.
extern "C" void keepFlags() __attribute__((naked, used, section(".init3")));
void keepFlags() {
  resetFlags = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

const __FlashStringHelper *resetCause() {
  if (resetFlags & _BV(PORF)) return F("power on");
  if (resetFlags & _BV(WDRF)) return F("watchdog");
  if (resetFlags & _BV(BORF)) return F("brown-out");
  return resetFlags & _BV(EXTRF) ? F("reset pin") : F("not told");  // most bootloaders clear them
}

// -------------------------------------------------------------------------------------------- time and pressure

const uint8_t ADC_ON = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);  // 125 kHz

volatile uint8_t tick, slot, slots, quarterDue;
volatile __uint24 finishedSum;

// Timer 1: take the finished conversion, start the next (104 us of the 500).
ISR(TIMER1_COMPA_vect) {
  static uint16_t slotSum;
  static __uint24 sum;

  slotSum += ADC;
  ADCSRA = ADC_ON | _BV(ADSC);
  if (++tick < TICKS_A_SLOT) return;
  tick = 0;
  slots++;
  if (slot >= SLOTS_A_QUARTER - SLOTS_AVERAGED) sum += slotSum;
  slotSum = 0;
  if (++slot == SLOTS_A_QUARTER) {
    slot = 0;
    finishedSum = sum;
    sum = 0;
    quarterDue = 1;
  }
}

void beginSampling() {
  ADMUX = _BV(REFS0) | PRESSURE_MUX;  // against the 5 V that also feed the transducer: their drift cancels
  ADCSRA = ADC_ON | _BV(ADSC);
  TCCR1A = 0;
  TCCR1B = _BV(WGM12) | _BV(CS11);  // clear on compare, 2 MHz
  OCR1A = F_CPU / 8 / TICK_HZ - 1;
  TIMSK1 = _BV(OCIE1A);
}

uint32_t quarters;  // since boot

uint32_t upQuarters(uint8_t &ms) {
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    ms = slot * 5;
    return quarters + quarterDue;
  }
  return 0;  // never reached; the compiler cannot know
}

const uint32_t SPAN = 400UL * 1024 / 10 * 8;  // counts from no pressure to full scale, over 400 samples
static_assert(POT_FULL_PA >= 50000 && POT_FULL_PA <= 10000000, "POT_FULL_PA is in pascals: 100 psi are 689476");

// counts * Pa a count, rounded.  The compiler divides; the product is taken in two halves, each within 32 bits.
uint32_t paOf(uint32_t counts) {
  const uint32_t whole = POT_FULL_PA / SPAN;
  const uint32_t fraction = ((uint64_t)(POT_FULL_PA % SPAN) * 65536 + SPAN / 2) / SPAN;  // of 65536
  uint32_t parts = (counts >> 8) * fraction + ((counts & 255) * fraction >> 8);
  return counts * whole + ((parts + 128) >> 8);
}

void addPot(Line &line, uint32_t sum) {
  const uint32_t full = 400UL * 1024, zero = full / 10;  // a tenth of the supply is no pressure

  // Below a twentieth or above nineteen twentieths no sound transducer reads (common practice, no source).
  if (sum < full / 20) return line.fault(F("pot"), F("low"));
  if (sum > full / 20 * 19) return line.fault(F("pot"), F("high"));
  int32_t pa = paOf(sum < zero ? zero - sum : sum - zero);
  line.number(F("pot"), F("Pa"), sum < zero ? -pa : pa, 0);
}

// ------------------------------------------------------------------------------------------------------- the cup

// MAX31855, datasheet tables 2 to 5: D31..18 cup, D16 any fault, D15..4 junction, D17 and D3 always 0, D2..0 faults.
uint32_t readThermo() {
  uint32_t bits = 0;

  SPI.beginTransaction(SPISettings(4000000, MSBFIRST, SPI_MODE0));
  digitalWrite(THERMO_CS_PIN, LOW);
  for (uint8_t i = 0; i < 4; i++) bits = bits << 8 | SPI.transfer(0);
  digitalWrite(THERMO_CS_PIN, HIGH);
  SPI.endTransaction();
  return bits;
}

// All ones cannot be; all zeros can, once, but four in a row is a dead wire.
bool isSilent(uint32_t bits) {
  static uint8_t zeros;

  zeros = bits ? 0 : zeros < 4 ? zeros + 1 : zeros;
  return (bits & 0x20008UL) || zeros == 4;
}

void addCup(Line &line, uint32_t bits, bool silent) {
  if (silent) return line.fault(F("cup"), F("silent"));
  if (bits & 1) return line.fault(F("cup"), F("open"));
  if (bits & 2) return line.fault(F("cup"), F("to ground"));
  if (bits & 4) return line.fault(F("cup"), F("to supply"));
  if (bits & 0x10000UL) return line.fault(F("cup"), F("fault"));
  line.number(F("cup"), F("Cel"), ((int16_t)(bits >> 16) >> 2) * 25L, 2);
}

void addJunction(Line &line, uint32_t bits, bool silent) {
  if (silent) return line.fault(F("cj"), F("silent"));
  line.number(F("cj"), F("Cel"), ((int16_t)bits >> 4) * 625L, 4);
}

// ------------------------------------------------------------------------------------------------------ the room

// CRC-8 of the sensor: polynomial 0x31 from 0xFF; 0xBEEF gives 0x92 (its datasheet).
uint8_t crc8(const uint8_t *bytes) {
  uint8_t crc = 0xFF;

  for (uint8_t i = 0; i < 2; i++) {
    crc ^= bytes[i];
    for (uint8_t bit = 0; bit < 8; bit++) crc = crc & 0x80 ? crc << 1 ^ 0x31 : crc << 1;
  }
  return crc;
}

const __FlashStringHelper *askTrouble;

void askRoom() {  // SHT31: once, high repeatability, no clock stretching; it takes 15 ms
  Wire.beginTransmission(HUMID_ADDRESS);
  Wire.write(0x24);
  Wire.write((uint8_t)0x00);
  uint8_t why = Wire.endTransmission();
  askTrouble = why == 0 ? nullptr : why == 5 ? F("hung") : F("nack");
}

void addRoom(Line &line) {
  uint8_t bytes[6];
  const __FlashStringHelper *trouble = askTrouble;

  if (!trouble && Wire.requestFrom(HUMID_ADDRESS, sizeof bytes) != sizeof bytes) {
    trouble = Wire.getWireTimeoutFlag() ? F("hung") : F("nack");
    Wire.clearWireTimeoutFlag();
  }
  if (!trouble) {
    Wire.readBytes(bytes, sizeof bytes);
    if (crc8(bytes) != bytes[2] || crc8(bytes + 3) != bytes[5]) trouble = F("crc");
  }
  if (trouble) {
    line.fault(F("room"), trouble);
    return line.fault(F("rh"), trouble);
  }
  uint16_t t = (uint16_t)bytes[0] << 8 | bytes[1], rh = (uint16_t)bytes[3] << 8 | bytes[4];
  line.number(F("room"), F("Cel"), (int32_t)((t * 17500UL + 32767) / 65535) - 4500, 2);
  line.number(F("rh"), F("%RH"), (rh * 10000UL + 32767) / 65535, 2);
}

// ----------------------------------------------------------------------------------------------------- the lines

Line line;
Foot foot(FOOT_PIN);
Signals signals(LAMP_PIN, BUZZER_PIN);
Orders orders(signals);
uint8_t quarter;
bool countsDue = true, scaleDue = true;

void beginLine() {
  uint8_t ms;
  uint32_t up = upQuarters(ms);
  line.begin(up, ms);
}

void sayReading(uint32_t sum) {
  uint32_t bits = readThermo();
  bool silent = isSilent(bits);

  beginLine();
  addCup(line, bits, silent);
  addPot(line, sum);
  switch (quarter++ & 3) {
    case 0: askRoom(); break;
    case 2: addRoom(line); break;
    case 3: addJunction(line, bits, silent); break;
  }
  line.end();
  wdt_reset();  // only a reading that was made feeds the watchdog
  if (quarter % COUNTS_EVERY == 0) countsDue = scaleDue = true;
}

#define DIGITS_OF(number) #number
#define DIGITS(macro) DIGITS_OF(macro)

// At boot, and with the counts for who begins to listen later: `benchd check` compares it with the bench's file.
const __FlashStringHelper *fullScale() {
  return F("full scale: " BASE_NAME "pot " DIGITS(POT_FULL_PA) " Pa");
}

void sayCounts() {
  beginLine();
  line.count(F("press-short"), foot.shorts);
  line.count(F("press-long"), foot.longs);
  line.count(F("press-double"), foot.doubles);
  line.count(F("orders"), orders.taken);
  line.end();
}

void speak() {
  static bool readingDue;
  static uint32_t sum;

  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    if (quarterDue) {
      quarterDue = 0;
      quarters++;
      readingDue = true;
      sum = finishedSum;
    }
  }
  if (!line.isSent()) return;
  if (countsDue) {
    countsDue = false;
    sayCounts();
  } else if (readingDue) {
    readingDue = false;
    sayReading(sum);
  } else if (scaleDue) {
    scaleDue = false;
    line.comment(fullScale(), F(""));
  } else if (orders.why) {
    line.comment(F("order refused: "), orders.why);
    orders.why = nullptr;
  }
}

void setup() {
  Serial.begin(115200);
  Serial.println(F("# bench board " BASE_NAME " as a sketch boots"));
  Serial.print(F("# reset: "));
  Serial.println(resetCause());
  foot.begin();
  signals.begin();
  pinMode(THERMO_CS_PIN, OUTPUT);
  digitalWrite(THERMO_CS_PIN, HIGH);
  SPI.begin();
  Wire.begin();
  Wire.setWireTimeout(5000, true);  // microseconds: a hung bus must not hang the board
  beginSampling();
  TCCR2B = 0;  // the core leaves this timer running; tone() starts it when there is a tone
  wdt_enable(WDTO_1S);
  set_sleep_mode(SLEEP_MODE_IDLE);
  sleep_enable();
}

void loop() {
  static uint8_t seen;

  do {
    sleep_cpu();  // until the next interrupt: at most half a millisecond
  } while (tick & 3);
  orders.take();  // each 2 ms: Serial holds 64 bytes, 5.5 ms of them
  if (seen == slots) return;
  while (seen != slots) {
    seen++;
    signals.step();
    if (foot.step()) countsDue = true;
  }
  speak();
  line.pump();
}
