# The ATmega328P at 16 MHz: build, report, flash. V=1 shows the commands in full.

AVR_RULES := $(MAKEFILE_LIST)
AVR_CC := avr-gcc
QUIET := $(if $(V),,@)
AVR_OUT := $(BUILD)/atmega328p
AVR_ELF := $(BUILD)/knuckle-atmega328p.elf
AVR_HEX := $(BUILD)/knuckle-atmega328p.hex

# Compiled as one program (-flto), which saves a tenth of the flash; so the frames are known when
# it is linked. Jump tables would be reached by a computed jump that the stack's bound cannot
# follow. -g leaves the code as it is; the bound needs the lines to tell which pointer is called
# where. The two parameters keep functions with large frames from being merged into the main loop,
# where their memory would never be given back. The options behind -fdata-sections save flash.
AVR_CPU := -mmcu=atmega328p -DF_CPU=16000000UL
AVR_CFLAGS := $(AVR_CPU) -std=c11 $(WARNINGS) -Os -g -flto -fno-jump-tables -ffunction-sections \
	--param large-stack-frame=32 --param large-stack-frame-growth=50 \
	-fdata-sections -mrelax -mcall-prologues -mstrict-X -fno-ipa-sra -fno-move-loop-invariants
AVR_INCLUDES := -Icore -Iports/atmega328p
AVR_SOURCES := $(CORE_SOURCES) $(sort $(wildcard ports/atmega328p/*.c ports/atmega328p/*.S))
AVR_OBJECTS := $(addprefix $(AVR_OUT)/,$(addsuffix .o,$(basename $(AVR_SOURCES))))
AVR_REPORT := python3 -m footprint --elf $(AVR_ELF) --frames $(AVR_OUT)/frames

board: $(AVR_HEX)
	@$(AVR_REPORT)

$(AVR_HEX): $(AVR_ELF)
	$(QUIET)avr-objcopy -O ihex -R .eeprom -R .fuse -R .lock $< $@

# In a folder of its own until all is there: somebody else may be building or reading.
$(AVR_ELF): $(AVR_OBJECTS)
	@rm -rf $(AVR_OUT)/link.$$PPID && mkdir -p $(AVR_OUT)/link.$$PPID
	@echo "link $(@F)"
	$(QUIET)cd $(AVR_OUT)/link.$$PPID && $(AVR_CC) $(AVR_CFLAGS) -fstack-usage -save-temps -Wl,--gc-sections \
		-Wl,-Map,program.map $(abspath $^) -o program.elf
	@rm -rf $(AVR_OUT)/frames && mv -T $(AVR_OUT)/link.$$PPID $(AVR_OUT)/frames
	@mv $(AVR_OUT)/frames/program.elf $@

$(AVR_OUT)/%.o: %.c $(AVR_RULES)
	@mkdir -p $(@D) && echo "avr-gcc $<"
	$(QUIET)$(AVR_CC) $(AVR_CFLAGS) -MMD -MP $(AVR_INCLUDES) -c $(abspath $<) -o $@

$(AVR_OUT)/%.o: %.S $(AVR_RULES)
	@mkdir -p $(@D) && echo "avr-gcc $<"
	$(QUIET)$(AVR_CC) $(AVR_CPU) -g -MMD -MP -c $< -o $@

-include $(AVR_OBJECTS:.o=.d)

# PORT is where the board is, for example /dev/ttyUSB0 or COM5. Boards with an old bootloader need
# FLASH_BAUD=57600.
FLASH_BAUD ?= 115200
AVRDUDE := avrdude -p atmega328p

flash: $(AVR_HEX)
	@test -n "$(PORT)" || { echo "Say where the board is: make -C firmware flash PORT=/dev/ttyUSB0"; exit 2; }
	$(AVRDUDE) -c arduino -P $(PORT) -b $(FLASH_BAUD) -D -U flash:w:$(AVR_HEX):i

# By an in-circuit programmer, which also removes the bootloader. PROGRAMMER is avrdude's name of it
# (`avrdude -c ?` lists them); a programmer on a serial port needs PORT too.
PROGRAMMER ?= usbasp
AVRDUDE_ISP := $(AVRDUDE) -c $(PROGRAMMER) $(if $(PORT),-P $(PORT))

flash-isp: $(AVR_HEX)
	$(AVRDUDE_ISP) -U flash:w:$(AVR_HEX):i

# ATmega328P data sheet, Memory Programming. Low FF: crystal, slowest start. High D7: start in the
# program, not a bootloader; the EEPROM, with the settings, outlives a chip erase; serial programming stays
# possible, the reset pin stays one. Extended FD: held in reset below 2.7 V.
fuses:
	$(AVRDUDE_ISP) -B 10 -U lfuse:w:0xFF:m -U hfuse:w:0xD7:m -U efuse:w:0xFD:m
