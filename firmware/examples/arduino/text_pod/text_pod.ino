// A tiny pod: an Arduino-compatible board with an MPU-6050 on its I2C pins, whose text lines
// knuckle reads over USB or through a Bluetooth module. docs/own-pod.md explains it.

#include <Wire.h>

const long BAUD = 115200;
const byte AVERAGE = 4;                 // readings in a line: 4 make 50 lines/s; at 9600 baud take 25
const unsigned long READING_US = 5000;  // 200 readings/s
const byte SENSOR = 0x68;               // its address with AD0 low
const float PER_G = 16384.0;            // counts in 1 g at +-2 g, in 1 deg/s at +-250 deg/s: data sheet
const float PER_DPS = 131.0;

const char FACT_1[] PROGMEM = "# id=my-first-pod";
const char FACT_2[] PROGMEM = "# accelerometer=mpu6050";
const char FACT_3[] PROGMEM = "# gyro=mpu6050";
const char FACT_4[] PROGMEM = "# accelerometer_range_g=2";
const char FACT_5[] PROGMEM = "# calibration=none";
const char HEADER[] PROGMEM = "t_ms,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c";
const char* const FACTS[] = {FACT_1, FACT_2, FACT_3, FACT_4, FACT_5, HEADER};
const byte MOST_FACTS = sizeof FACTS / sizeof FACTS[0];
const byte LINES_A_FACT = 100 / AVERAGE;  // one each half second: the header comes every 3 s

// Lines wait here and leave as the serial port has room: print() to a full port would hold up the
// next reading.
struct Outbox : public Print {
  char text[160];
  byte length = 0, sent = 0;
  size_t write(uint8_t c) override {
    if (length < sizeof text) text[length++] = c;
    return 1;
  }
  void pump() {
    while (sent < length && Serial.availableForWrite() > 0) Serial.write(text[sent++]);
    if (sent == length) sent = length = 0;
  }
} out;

unsigned long dueUs;     // when the next reading is due
unsigned long readings;  // taken or missed since the start: the clock of the lines
unsigned long lines;
byte summed;
long sums[7];  // acceleration x y z, temperature, rate of turn x y z

bool put(byte place, byte value) {
  Wire.beginTransmission(SENSOR);
  Wire.write(place);
  Wire.write(value);
  return Wire.endTransmission() == 0;
}

bool wakeUp() {
  return put(0x6B, 0x01)      // awake, clocked by its gyro
         && put(0x1A, 0x03)   // low-pass filters of about 44 Hz
         && put(0x1B, 0x00)   // +-250 deg/s
         && put(0x1C, 0x00);  // +-2 g
}

// Adds a reading to the sums. False if there is none: then nothing may stand in for it.
bool addReading() {
  Wire.beginTransmission(SENSOR);
  Wire.write(0x3B);
  if (Wire.endTransmission() != 0 || Wire.requestFrom(SENSOR, (byte)14) != 14) return false;
  bool awake = false;
  for (byte i = 0; i < 7; i++) {
    byte high = Wire.read();
    int16_t value = (int16_t)(high << 8 | Wire.read());
    sums[i] += value;
    awake = awake || value != 0;
  }
  return awake;  // zeros alone: it has lost power for a moment, and sleeps
}

void startLine() {
  summed = 0;
  memset(sums, 0, sizeof sums);
}

void say(byte first, byte count, float divisor, byte digits) {
  for (byte i = first; i < first + count; i++) {
    out.print(',');
    out.print(sums[i] / (divisor * AVERAGE), digits);
  }
}

void sayLine() {
  out.print((readings - AVERAGE) * (READING_US / 1000));  // when its first reading was taken
  say(0, 3, PER_G, 5);
  say(4, 3, PER_DPS, 3);
  out.print(',');
  out.println(sums[3] / (340.0 * AVERAGE) + 36.53, 2);
  if (++lines % LINES_A_FACT == 0)  // again and again: the program may join at any time
    out.println((const __FlashStringHelper*)FACTS[lines / LINES_A_FACT % MOST_FACTS]);
}

void setup() {
  Serial.begin(BAUD);
  Wire.begin();
  Wire.setClock(400000);
#ifdef ARDUINO_ARCH_AVR
  Wire.setWireTimeout(3000, true);  // a wire that slips off must not hold the program for ever
#endif
  for (byte i = 0; i < MOST_FACTS; i++) Serial.println((const __FlashStringHelper*)FACTS[i]);
  if (!wakeUp()) Serial.println(F("# no sensor answers at address 0x68"));
  delay(100);
  dueUs = micros();
}

void loop() {
  out.pump();
  unsigned long lateUs = micros() - dueUs;
  if (lateUs > 0x7FFFFFFF) return;  // not due yet
  dueUs += READING_US;
  readings++;
  if (lateUs >= READING_US) {  // missed: left out, but counted, so that the time stays right
    startLine();
  } else if (!addReading()) {
    startLine();
    wakeUp();
  } else if (++summed == AVERAGE) {
    if (out.length == 0) sayLine();
    startLine();
  }
}
