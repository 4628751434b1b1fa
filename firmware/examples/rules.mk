# The example for boards of the Arduino kind, built as their own tools would: `make examples`.
# Debian: arduino-core-avr. gcc 5.4 lacks DECIMAL_DIG in C++, which the core's Print.cpp uses.
ARDUINO ?= /usr/share/arduino/hardware/arduino/avr
ARDUINO_FLAGS := -mmcu=atmega328p -DF_CPU=16000000UL -DARDUINO=10819 -DARDUINO_AVR_UNO -DARDUINO_ARCH_AVR \
	-DDECIMAL_DIG=__DECIMAL_DIG__ -Os -ffunction-sections -fdata-sections -flto \
	-I$(ARDUINO)/cores/arduino -I$(ARDUINO)/variants/standard \
	-I$(ARDUINO)/libraries/Wire/src -I$(ARDUINO)/libraries/Wire/src/utility
ARDUINO_CXX := -std=gnu++11 -fno-exceptions -fno-threadsafe-statics
EXAMPLE := examples/arduino/text_pod/text_pod.ino
EXAMPLE_ELF := $(BUILD)/text_pod.elf
ARDUINO_CORE := $(BUILD)/arduino_core.a
ARDUINO_SOURCES := $(wildcard $(ARDUINO)/cores/arduino/*.c $(ARDUINO)/cores/arduino/*.cpp \
	$(ARDUINO)/cores/arduino/*.S $(ARDUINO)/libraries/Wire/src/*.cpp $(ARDUINO)/libraries/Wire/src/utility/*.c)

.PHONY: examples
examples: $(EXAMPLE_ELF)

# The sketch is held to our warnings; the core's are its authors'.
$(EXAMPLE_ELF): $(EXAMPLE) $(ARDUINO_CORE)
	@echo "avr-g++ $<"
	$(QUIET)avr-g++ $(ARDUINO_FLAGS) $(ARDUINO_CXX) -Wall -Wextra -Werror -include Arduino.h -x c++ $< \
		-x none $(ARDUINO_CORE) -fuse-linker-plugin -Wl,--gc-sections -lm -o $@.new
	@mv $@.new $@
	@avr-size $@

$(ARDUINO_CORE): examples/rules.mk
	@test -d "$(ARDUINO)/cores" || { echo "No Arduino core in $(ARDUINO): install arduino-core-avr, or name its folder: ARDUINO=..."; exit 2; }
	@rm -rf $@.$$PPID && mkdir -p $@.$$PPID
	@echo "avr-gcc $(ARDUINO)"
	$(QUIET)cd $@.$$PPID && for file in $(ARDUINO_SOURCES); do case $$file in \
		*.cpp) avr-g++ $(ARDUINO_FLAGS) $(ARDUINO_CXX) -w -c $$file -o $$(basename $$file).o ;; \
		*.S) avr-gcc $(ARDUINO_FLAGS) -x assembler-with-cpp -c $$file -o $$(basename $$file).o ;; \
		*) avr-gcc $(ARDUINO_FLAGS) -std=gnu11 -w -c $$file -o $$(basename $$file).o ;; \
		esac || exit 1; done
	$(QUIET)cd $@.$$PPID && avr-gcc-ar rcs core.a *.o
	@mv $@.$$PPID/core.a $@ && rm -rf $@.$$PPID
