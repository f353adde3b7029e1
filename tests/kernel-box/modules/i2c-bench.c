// SPDX-License-Identifier: GPL-2.0
/*
 * An I2C bus without hardware: parts with registers of 16 bits at FIRST and SECOND. The plant writes the registers over
 * the bus itself. A part whose address stands in /sys/module/i2c_bench/parameters/silent acknowledges nothing, as one
 * whose wire came off.
 */
#include <linux/i2c.h>
#include <linux/module.h>

#define FIRST 0x40
#define SECOND 0x48

static ushort silent;
module_param(silent, ushort, 0644);
MODULE_PARM_DESC(silent, "address that does not answer");

static u16 registers[2][256];

static s32 bench_transfer(struct i2c_adapter *adapter, u16 at, unsigned short flags, char direction, u8 command, int size,
			  union i2c_smbus_data *data)
{
	u16 *word;

	if ((at != FIRST && at != SECOND) || at == READ_ONCE(silent))
		return -ENXIO;
	if (size == I2C_SMBUS_QUICK)
		return 0;
	if (size != I2C_SMBUS_WORD_DATA)
		return -EOPNOTSUPP;
	/* The core lets one call in at a time. */
	word = &registers[at == SECOND][command];
	if (direction == I2C_SMBUS_WRITE)
		*word = data->word;
	else
		data->word = *word;
	return 0;
}

static u32 bench_functions(struct i2c_adapter *adapter)
{
	return I2C_FUNC_SMBUS_QUICK | I2C_FUNC_SMBUS_WORD_DATA;
}

static const struct i2c_algorithm bench_algorithm = { .smbus_xfer = bench_transfer, .functionality = bench_functions };
static struct i2c_adapter bench_adapter = { .owner = THIS_MODULE, .algo = &bench_algorithm, .name = "i2c-bench" };

static int __init bench_init(void)
{
	return i2c_add_adapter(&bench_adapter);
}

static void __exit bench_exit(void)
{
	i2c_del_adapter(&bench_adapter);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("I2C bus without hardware whose parts can fall silent, for tests");
MODULE_LICENSE("GPL");
