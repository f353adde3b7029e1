// SPDX-License-Identifier: GPL-2.0
/*
 * The GPIO register block of a board without the board: /dev/gpiomem, as a library maps it that drives pins through
 * registers. Stores into the set and clear words act within TAKEN_NS, as they do at once on the board: the page is
 * read-only until it is stored to, and becomes so again once what was stored has been taken.
 *
 * The plant on the other side reads the levels of all pins from the file (u64) and writes the levels that it drives
 * the inputs to (u64). A pin has the level of its latch where its mode is output, else what the plant drives.
 */
#include <linux/fs.h>
#include <linux/hrtimer.h>
#include <linux/miscdevice.h>
#include <linux/mm.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/uaccess.h>
#include <linux/workqueue.h>

#define PINS 54
#define TAKEN_NS 10000

/* Places of the words in the block. */
#define MODE(pin) ((pin) / 10)
#define SET(half) ((0x1c >> 2) + (half))
#define CLEAR(half) ((0x28 >> 2) + (half))
#define LEVEL(half) ((0x34 >> 2) + (half))

static u32 *block;
static u64 latch, driven;
static DEFINE_MUTEX(lock);
static struct hrtimer timer;
static struct address_space *mapping;

static u64 both(const u32 *words)
{
	return READ_ONCE(words[0]) | (u64)READ_ONCE(words[1]) << 32;
}

/* Takes what was stored and brings the level words up to date. */
static u64 take(void)
{
	u64 outputs = 0, levels;
	int pin;

	for (pin = 0; pin < PINS; pin++)
		if ((READ_ONCE(block[MODE(pin)]) >> pin % 10 * 3 & 7) == 1)
			outputs |= 1ULL << pin;
	latch = (latch | both(block + SET(0))) & ~both(block + CLEAR(0));
	block[SET(0)] = block[SET(1)] = block[CLEAR(0)] = block[CLEAR(1)] = 0;
	levels = (latch & outputs) | (driven & ~outputs);
	WRITE_ONCE(block[LEVEL(0)], levels);
	WRITE_ONCE(block[LEVEL(1)], levels >> 32);
	return levels;
}

static void taken(struct work_struct *work)
{
	mutex_lock(&lock);
	/* Before the words are looked at: a store from now on faults, and is taken the next time. */
	if (mapping)
		unmap_mapping_range(mapping, 0, PAGE_SIZE, 1);
	take();
	mutex_unlock(&lock);
}

static DECLARE_WORK(taking, taken);

static enum hrtimer_restart due(struct hrtimer *t)
{
	schedule_work(&taking);
	return HRTIMER_NORESTART;
}

static vm_fault_t block_fault(struct vm_fault *fault)
{
	if (fault->pgoff)
		return VM_FAULT_SIGBUS;
	return vmf_insert_pfn(fault->vma, fault->address, page_to_pfn(virt_to_page(block)));
}

static vm_fault_t block_stored(struct vm_fault *fault)
{
	hrtimer_start(&timer, ns_to_ktime(TAKEN_NS), HRTIMER_MODE_REL);
	return 0;
}

static const struct vm_operations_struct block_vm = { .fault = block_fault, .pfn_mkwrite = block_stored };

static int block_mmap(struct file *file, struct vm_area_struct *vma)
{
	if (vma->vm_pgoff || vma_pages(vma) != 1)
		return -EINVAL;
	vm_flags_set(vma, VM_PFNMAP | VM_IO | VM_DONTEXPAND);
	vma->vm_ops = &block_vm;
	mutex_lock(&lock);
	mapping = file->f_mapping;
	mutex_unlock(&lock);
	return 0;
}

static ssize_t block_read(struct file *file, char __user *to, size_t size, loff_t *at)
{
	u64 levels;

	if (size != sizeof(levels))
		return -EINVAL;
	mutex_lock(&lock);
	levels = take();
	mutex_unlock(&lock);
	return copy_to_user(to, &levels, size) ? -EFAULT : size;
}

static ssize_t block_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	u64 levels;

	if (size != sizeof(levels))
		return -EINVAL;
	if (copy_from_user(&levels, from, size))
		return -EFAULT;
	mutex_lock(&lock);
	driven = levels;
	take();
	mutex_unlock(&lock);
	return size;
}

static const struct file_operations block_fops = {
	.owner = THIS_MODULE, .mmap = block_mmap, .read = block_read, .write = block_write,
};
static struct miscdevice block_device = {
	.minor = MISC_DYNAMIC_MINOR, .name = "gpiomem", .mode = 0660, .fops = &block_fops,
};

static int __init bench_init(void)
{
	int ret;

	block = (u32 *)get_zeroed_page(GFP_KERNEL);
	if (!block)
		return -ENOMEM;
	hrtimer_init(&timer, CLOCK_MONOTONIC, HRTIMER_MODE_REL);
	timer.function = due;
	ret = misc_register(&block_device);
	if (ret)
		free_page((unsigned long)block);
	return ret;
}

static void __exit bench_exit(void)
{
	misc_deregister(&block_device);
	hrtimer_cancel(&timer);
	cancel_work_sync(&taking);
	free_page((unsigned long)block);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("GPIO register block without hardware, for tests");
MODULE_LICENSE("GPL");
