# The example for boards of the Arduino kind, built as their own tools would: `make examples`.
# Debian: arduino-core-avr. gcc 5.4 lacks DECIMAL_DIG in C++, which the core's Print.cpp uses.
ARDUINO ?= /usr/share/arduino/hardware/arduino/avr
ARDUINO_FLAGS := -mmcu=atmega328p -DF_CPU=16000000UL -DARDUINO=10819 -DARDUINO_AVR_UNO -DARDUINO_ARCH_AVR \
	-DDECIMAL_DIG=__DECIMAL_DIG__ -Os -ffunction-sections -fdata-sections -flto \
	-I$(ARDUINO)/cores/arduino -I$(ARDUINO)/variants/standard \
	-I$(ARDUINO)/libraries/Wire/src -I$(ARDUINO)/libraries/Wire/src/utility
ARDUINO_CXX := -std=gnu++11 -fno-exceptions -fno-threadsafe-statics
EXAMPLE := examples/arduino/text_pod/text_pod.ino
EXAMPLE_OUT := $(BUILD)/examples
CORE_OF_ARDUINO := $(wildcard $(ARDUINO)/cores/arduino/*.c $(ARDUINO)/cores/arduino/*.cpp \
	$(ARDUINO)/cores/arduino/*.S $(ARDUINO)/libraries/Wire/src/*.cpp $(ARDUINO)/libraries/Wire/src/utility/*.c)

.PHONY: examples
examples: $(BUILD)/text_pod.elf

# The core's own warnings are its authors'; the sketch is held to ours.
$(BUILD)/text_pod.elf: $(EXAMPLE) examples/rules.mk
	@test -d "$(ARDUINO)/cores" || { echo "No Arduino core in $(ARDUINO): install arduino-core-avr, or name its folder: ARDUINO=..."; exit 2; }
	@rm -rf $(EXAMPLE_OUT).$$PPID && mkdir -p $(EXAMPLE_OUT).$$PPID
	@echo "avr-g++ $<"
	$(QUIET)cd $(EXAMPLE_OUT).$$PPID && avr-g++ $(ARDUINO_FLAGS) $(ARDUINO_CXX) -Wall -Wextra -Werror -include Arduino.h \
		-x c++ -c $(abspath $<) -o sketch.o
	$(QUIET)cd $(EXAMPLE_OUT).$$PPID && for file in $(CORE_OF_ARDUINO); do case $$file in \
		*.cpp) avr-g++ $(ARDUINO_FLAGS) $(ARDUINO_CXX) -w -c $$file -o $$(basename $$file).o ;; \
		*.S) avr-gcc $(ARDUINO_FLAGS) -x assembler-with-cpp -c $$file -o $$(basename $$file).o ;; \
		*) avr-gcc $(ARDUINO_FLAGS) -std=gnu11 -w -c $$file -o $$(basename $$file).o ;; \
		esac || exit 1; done
	$(QUIET)cd $(EXAMPLE_OUT).$$PPID && avr-g++ $(ARDUINO_FLAGS) -fuse-linker-plugin -Wl,--gc-sections *.o -lm -o text_pod.elf
	@mv $(EXAMPLE_OUT).$$PPID/text_pod.elf $@ && rm -rf $(EXAMPLE_OUT).$$PPID
	@avr-size $@
